"""Tails and quantiles of the distributions that tests rest on.

The library of distributions takes longer to load than a run takes to solve. Upper tails are
computed as such, never as one less the lower: small chances keep their digits. Where a number of
degrees of freedom is not positive there is no distribution, and the answer is NaN.

Formulas: M. Abramowitz and I. A. Stegun, *Handbook of Mathematical Functions*, National Bureau of
Standards 1964, chapter 26 (26.4.19 chi-square by the incomplete gamma function, 26.4.25 the
noncentral one as a Poisson mixture of central ones; 26.6.2 and 26.7.1 F and t by the incomplete
beta function; 6.5.21 the step from one gamma function to the next). From memory; the numbers are
checked against ``scipy.stats``.
"""

from collections.abc import Callable
from math import erfc, exp, gamma, inf, lgamma, log, nan, pi, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from calib.adjust.incomplete import (
    LARGE,
    beta_below,
    beta_quantile,
    gamma_quantile,
    gamma_tails,
    stirling,
)
from calib.adjust.roots import root_between

#: What is computed from arrays is an array; numbers from numbers.
Numbers = np.ndarray | np.float64

_NORMAL = NormalDist()

#: More numbers than so many are computed together.
_MANY = 200


def normal_sf(x: ArrayLike) -> Numbers:
    """Probability that a standard normal number is above `x`."""
    return _each(lambda x: 0.5 * erfc(x / sqrt(2.0)), x)


def normal_isf(p: ArrayLike) -> Numbers:
    """What a standard normal number is above with probability `p`.

    >>> round(float(normal_isf(0.025)), 6)
    1.959964
    """
    return -normal_ppf(p)


def normal_ppf(p: ArrayLike) -> Numbers:
    """What a standard normal number is below with probability `p`."""
    return _each(lambda p: _NORMAL.inv_cdf(p) if 0.0 < p < 1.0 else inf * (2.0 * p - 1.0), p)


def chi2_cdf(x: ArrayLike, dof: ArrayLike) -> Numbers:
    """Probability that chi-square of `dof` is below `x`."""
    return _each(lambda x, dof: gamma_tails(dof / 2.0, x / 2.0)[0], x, dof)


def chi2_sf(x: ArrayLike, dof: ArrayLike) -> Numbers:
    """Probability that chi-square of `dof` is above `x`."""
    if np.size(x) > _MANY and np.ndim(dof) == 0 and dof in range(1, 100):
        return _chi2_sf_of_many(np.asarray(x, float), int(np.asarray(dof)))
    return _each(lambda x, dof: gamma_tails(dof / 2.0, x / 2.0)[1], x, dof)


def chi2_isf(p: ArrayLike, dof: ArrayLike) -> Numbers:
    """What chi-square of `dof` is above with probability `p`.

    >>> round(float(chi2_isf(0.05, 10)), 4)
    18.307
    """
    return _each(lambda p, dof: 2.0 * gamma_quantile(dof / 2.0, 1.0 - p, p), p, dof)


def chi2_ppf(p: ArrayLike, dof: ArrayLike) -> Numbers:
    """What chi-square of `dof` is below with probability `p`."""
    return _each(lambda p, dof: 2.0 * gamma_quantile(dof / 2.0, p, 1.0 - p), p, dof)


def t_isf(p: ArrayLike, dof: ArrayLike) -> Numbers:
    """What Student's t of `dof` is above with probability `p`."""

    def one(p: float, dof: float) -> float:
        logit = beta_quantile(dof / 2.0, 0.5, 2.0 * min(p, 1.0 - p))
        return sqrt(dof * exp(-logit)) * (1.0 if p < 0.5 else -1.0)

    return _each(one, p, dof)


def f_sf(x: ArrayLike, above: ArrayLike, below: ArrayLike) -> Numbers:
    """Probability that F of `above` and `below` degrees of freedom is above `x`."""
    least = np.minimum(np.asarray(above, float), np.asarray(below, float))
    if np.size(x) > _MANY and least.ndim == 0 and least > 0:
        from scipy.special import fdtrc  # number by number takes longer than its coming

        chances: np.ndarray = fdtrc(above, below, np.maximum(x, 0.0))
        return chances


    def one(x: float, above: float, below: float) -> float:
        logit = log(below) - log(above) - log(x) if x > 0.0 else inf
        return beta_below(below / 2.0, above / 2.0, logit)

    return _each(one, x, above, below)


def f_isf(p: ArrayLike, above: ArrayLike, below: ArrayLike) -> Numbers:
    """What F of `above` and `below` degrees of freedom is above with probability `p`."""
    return _each(lambda p, above, below: below / above * exp(
        -beta_quantile(below / 2.0, above / 2.0, p)), p, above, below)


def noncentral_chi2_sf(x: float, dof: float, noncentrality: float) -> float:
    """Probability that noncentral chi-square is above `x`.

    Every term of the mixture is positive, so a small chance keeps its digits.
    """
    half, mean = max(x, 0.0) / 2.0, noncentrality / 2.0
    central = gamma_tails(dof / 2.0, half)[1]
    if not (half > 0.0 and mean > 0.0):
        return central
    # So many terms that what is left out is below the rounding of the sum.
    middle = half + mean
    terms = np.arange(np.ceil(middle + 40.0 * np.sqrt(middle + 1.0) + 100.0))
    weights = np.exp(terms * log(mean) - mean - _log_gammas(terms + 1.0))
    shapes = dof / 2.0 + terms
    more = np.exp(shapes * log(half) - half - _log_gammas(shapes + 1.0))
    return float(weights @ (central + np.cumsum(more) - more))


def noncentral_chi2_isf(p: float, dof: float, noncentrality: float) -> float:
    """What noncentral chi-square is above with probability `p`, between 0 and 1."""
    mean, sd = dof + noncentrality, np.sqrt(2.0 * (dof + 2.0 * noncentrality))
    high = mean + sd
    while noncentral_chi2_sf(high, dof, noncentrality) > p:
        high += 4.0 * sd
    return root_between(lambda x: np.log(noncentral_chi2_sf(x, dof, noncentrality) / p), 0.0, high,
                        xtol=1e-14)


def _chi2_sf_of_many(x: np.ndarray, dof: int) -> np.ndarray:
    """By the steps from one or two degrees of freedom on (6.5.21); every term is positive."""
    half, a = np.clip(x / 2.0, 0.0, 1e5), 1.0 - dof % 2 / 2.0
    tail = np.exp(-half)
    chances = tail.copy()
    if dof % 2:
        chances = np.reshape([erfc(root) for root in np.sqrt(half).ravel().tolist()], half.shape)
    term = tail * half**a / gamma(a + 1.0)
    while a < dof / 2.0:
        a += 1.0
        chances, term = chances + term, term * half / a
    return chances


def _log_gammas(a: np.ndarray) -> np.ndarray:
    """Logarithms of the gamma function, `a` in rising order."""
    logs: np.ndarray = (a - 0.5) * np.log(a) - a + 0.5 * log(2.0 * pi) + stirling(a)
    small = a[: np.searchsorted(a, LARGE)]
    logs[: len(small)] = [lgamma(one) for one in small]
    return logs


def _each(function: Callable[..., float], *of: ArrayLike) -> Numbers:
    """A function of numbers for arrays; NaN for numbers that are none, or without freedom."""

    def one(*numbers: float) -> float:
        if any(n != n for n in numbers) or min(numbers[1:], default=1.0) <= 0.0:
            return nan
        return function(*numbers)

    wide = np.broadcast(*of)
    found = np.array([one(*map(float, numbers)) for numbers in wide])
    numbers: Numbers = found.reshape(wide.shape)[()]
    return numbers
