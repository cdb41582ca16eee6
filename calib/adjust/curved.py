"""Which 95 % intervals the linear theory gets wrong, and the likelihood's in their place.

Where misclosures bend within the interval of a parameter, its sd alone does not tell how far it may
be. The interval of the likelihood ratio is where chi2, everything else at its best, is above its
least by the quantile of chi-square with one degree of freedom: it takes the bend as it is, and is
the same for any function of the parameter (D. M. Bates and D. G. Watts, *Nonlinear Regression
Analysis and Its Applications*, Wiley 1988, section 6.1: profile t; from memory).
"""

from collections.abc import Callable
from math import sqrt

import numpy as np
from scipy.optimize import brentq

from calib.adjust.adjustment import Adjustment
from calib.adjust.distributions import normal_ppf
from calib.adjust.mixed_model import NO_SOLUTION, readjust
from calib.adjust.observations import Model
from calib.adjust.tall import MANY
from calib.adjust.whitening import whitened

#: Where 95 % of the linear theory end, sds.
_ENDS = float(normal_ppf(0.975))

#: An interval is bent where at one of its ends the profile is off by more than this, sds.
_BENT = 0.1

#: An end is looked for in so many paces of so many sds, growing by half, and found to `_CLOSE`.
_PACE, _MOST_PACES, _CLOSE = 0.5, 10, 0.01


def bent(predicted: Callable[[np.ndarray, np.ndarray], np.ndarray], adjustment: Adjustment,
         columns: np.ndarray) -> np.ndarray:
    """Which parameters' intervals the linear theory may get wrong.

    The profile at both ends of the linear interval, with the derivatives and weights of the
    solution: misclosures that the other parameters cannot take up.

    Parameters
    ----------
    predicted : callable
        What the adjustment's model predicts, of parameters and readings, without derivatives.
    columns : ndarray of int, shape (k,)
        Of free parameters.

    Returns
    -------
    ndarray of bool, shape (k,)
        False of all where there are so many observations that nothing can bend within an sd.
    """
    linearised, x = adjustment.linearised, adjustment.parameters
    marked = np.zeros(len(columns), bool)
    if len(adjustment.residuals) >= MANY:
        return marked
    design, least = linearised.design, linearised.misclosure
    basis = np.linalg.qr(design)[0]
    place = np.cumsum(adjustment.free) - 1
    for i, column in enumerate(columns):
        step = adjustment.covariance[:, column] / adjustment.sd[column]
        along = design @ step[adjustment.free]
        if not (adjustment.free[column] and place[column] >= 0 and along.any()):
            continue
        for end in (-_ENDS, _ENDS):
            moved = _misclosure(predicted, adjustment, x + end * step)
            # What the others cannot take up: beside the whole design, and along this one's own.
            left = moved - basis @ (basis.T @ moved)
            own = along @ moved
            profile = np.sqrt(max(left @ left - least @ least + own**2, 0.0))
            marked[i] |= not abs(profile - _ENDS) < _BENT * _ENDS
    return marked


def _misclosure(predicted: Callable[[np.ndarray, np.ndarray], np.ndarray], adjustment: Adjustment,
                parameters: np.ndarray) -> np.ndarray:
    """Whitened as at the solution, corrections as there, at other parameters; shape (n + q,)."""
    linearised, observations = adjustment.linearised, adjustment.observations
    values = predicted(parameters, observations.readings + adjustment.corrections)
    moved: np.ndarray = linearised.raw + np.append(
        observations.values - adjustment.residuals - values,
        adjustment.prior.values - adjustment.prior.function(parameters)[0]
        - adjustment.prior_residuals)
    return whitened(linearised.groups, moved, linearised.whiteners)


def likelihood_interval(model: Model, adjustment: Adjustment, column: int) -> tuple[float, float]:
    """The 95 % interval of the likelihood ratio of a free parameter.

    Returns
    -------
    low, high : float
        Infinite where chi2 does not rise enough as far as was looked.
    """
    return _end(model, adjustment, column, -1), _end(model, adjustment, column, +1)


def _end(model: Model, adjustment: Adjustment, column: int, side: float) -> float:
    """Where the root of chi2 above its least reaches the quantile, going out to one side."""
    sd, best = adjustment.sd[column], adjustment.parameters[column]
    at = {0.0: adjustment}

    def beyond(sds: float) -> float:
        near = at[min(at, key=lambda known: abs(known - sds))]
        start, held = near.parameters.copy(), ~adjustment.free
        start[column], held[column] = best + side * sds * sd, True
        at[sds] = readjust(model, near, start=start, held=held)
        return sqrt(max(at[sds].chi2 - adjustment.chi2, 0.0)) - _ENDS

    inside, outside, pace = 0.0, _ENDS, _PACE
    try:
        for _ in range(_MOST_PACES):
            if beyond(outside) >= 0:
                found = brentq(lambda s: beyond(s) if s else -_ENDS, inside, outside, xtol=_CLOSE)
                return float(best + side * sd * found)
            inside, outside, pace = outside, outside + pace, 1.5 * pace
    except NO_SOLUTION:
        pass
    return side * np.inf
