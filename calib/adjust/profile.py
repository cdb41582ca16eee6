"""Profile of a restricted likelihood along one factor: falls, intervals, degrees of freedom.

Interval: where twice the log-likelihood, the other factors at their best, falls by the chi-square
quantile: D. J. Venzon and S. H. Moolgavkar, "A method for computing profile-likelihood-based
confidence intervals", Applied Statistics 37 (1988) 87-94; the fall is first divided by Bartlett's
factor for one variance with the same degrees of freedom: M. S. Bartlett, "Properties of sufficiency
and statistical tests", Proc. Royal Society A 160 (1937) 268-282. Degrees of freedom of a factor:
2 theta^2 / var(theta), F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110-114, with var(theta)
from the information about all factors. All from memory.
"""

from math import sqrt

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import psi

from calib.adjust.distributions import chi2_ppf, chi2_sf
from calib.adjust.restricted import NEARLY_SETTLED, Fit, RestrictedLikelihood

#: With fewer degrees of freedom nothing is told of a kind.
LEAST_DOF = 2.0

#: An end is looked for in steps of this many sds of the logarithm, growing; and in how many.
_STRIDE, _MOST_PACES = 2.5, 12

#: To which the logarithm of an end of an interval is found.
_CLOSE = 0.01


class Profile:
    """Twice the log-likelihood when one factor is held and the others follow.

    Parameters
    ----------
    best : Fit
        Its maximum over all factors.
    kind : int
        The factor that is held.
    dof : float
        Its degrees of freedom, see `effective_dof`.
    """

    def __init__(self, likelihood: RestrictedLikelihood, best: Fit, kind: int, dof: float):
        self._likelihood, self._best, self._kind = likelihood, best, kind
        dof = max(dof, LEAST_DOF)
        self._bartlett = bartlett_factor(dof)
        self._pace = float(np.exp(_STRIDE * np.sqrt(2 / dof)))
        self._others = np.arange(len(best.theta)) != kind
        self._fits = {float(best.theta[kind]): best}

    def fall(self, factor: float) -> float:
        """How far it lies below its maximum, over Bartlett's factor, at this factor."""
        return max(2 * (self._best.value - self._fit(factor).value) / self._bartlett, 0.0)

    def chance(self, factor: float) -> float:
        """Of a fall like this if `factor` is the true one."""
        return float(chi2_sf(self.fall(factor), 1))

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """The factors that the likelihood bears out; from 0 where it does not fall enough."""
        limit = float(chi2_ppf(confidence, 1))
        estimate = float(self._best.theta[self._kind])
        high = self._end(estimate, self._pace, limit)
        if self.fall(float(self._likelihood.least[self._kind])) < limit:
            return 0.0, high
        return self._end(estimate, 1 / self._pace, limit), high

    def _end(self, inside: float, pace: float, limit: float) -> float:
        """Where the fall reaches the limit, going out from `inside` by factors of `pace`."""
        outside = inside * pace
        for _ in range(_MOST_PACES):
            if self.fall(outside) >= limit:
                return self._crossing(inside, outside, limit)
            inside, outside, pace = outside, outside * pace, pace**1.5
        return np.inf

    def _fit(self, factor: float) -> Fit:
        if factor not in self._fits:
            nearest = min(self._fits, key=lambda known: abs(known - factor))
            start = self._fits[nearest].theta.copy()
            start[self._kind] = factor
            self._fits[factor] = self._likelihood.maximise(
                start, self._others, NEARLY_SETTLED)
        return self._fits[factor]

    def _crossing(self, inside: float, outside: float, limit: float) -> float:
        """Between a factor where the fall is below the limit and one where it is above."""
        low, high = np.log([inside, outside]).tolist()
        known = {low: inside, high: outside}  # not fitted anew for the rounding of a logarithm

        def beyond(log_factor: float) -> float:
            factor = known.get(log_factor) or float(np.exp(log_factor))
            return sqrt(self.fall(factor)) - sqrt(limit)

        return float(np.exp(brentq(beyond, low, high, xtol=_CLOSE, rtol=1e-12)))


def effective_dof(likelihood: RestrictedLikelihood, theta: np.ndarray, at: ArrayLike) -> np.ndarray:
    """Degrees of freedom of each factor if it were `at` (broadcast), the others as in `theta`."""
    dof, at = np.zeros(len(theta)), np.broadcast_to(at, len(theta))
    for k in range(len(theta)):
        moved = theta.copy()
        moved[k] = at[k]
        dof[k] = 2 * at[k] ** 2 * _left_over(likelihood.slope(moved).information, k)
    return dof


def bartlett_factor(dof: float) -> float:
    """Mean likelihood-ratio statistic of one variance with `dof` degrees of freedom.

    >>> round(bartlett_factor(10), 4)
    1.0332
    """
    return float(dof * (np.log(dof / 2) - psi(dof / 2)))


def sds(information: np.ndarray) -> np.ndarray:
    """Standard deviation of each factor, all others unknown; huge where nothing tells of it."""
    left = np.array([_left_over(information, k) for k in range(len(information))])
    sds: np.ndarray = 1 / np.sqrt(np.maximum(left, np.finfo(float).tiny))
    return sds


def _left_over(information: np.ndarray, k: int) -> float:
    """Information about factor k that is left when all others are unknown."""
    size = np.sqrt(np.maximum(np.diag(information), 0.0))
    others = (np.arange(len(size)) != k) & (size > 0)
    if size[k] == 0 or not others.any():
        return float(size[k] ** 2)
    scaled = information[np.ix_(others, others)] / np.outer(size[others], size[others])
    row = information[k, others] / (size[k] * size[others])
    shared = row @ np.linalg.lstsq(scaled, row, rcond=1e-10)[0]
    return float(size[k] ** 2 * max(1.0 - shared, 0.0))
