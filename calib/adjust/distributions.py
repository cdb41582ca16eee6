"""Tails and quantiles of the distributions that tests rest on, from special functions alone.

The library of distributions takes longer to load than a run takes to solve. Upper tails are
computed as such, never as one less the lower: small chances keep their digits. Where a number of
degrees of freedom is not positive there is no distribution, and the answer is NaN.

Formulas: M. Abramowitz and I. A. Stegun, *Handbook of Mathematical Functions*, National Bureau of
Standards 1964, chapter 26 (26.4.25 the noncentral chi-square as a Poisson mixture of central ones;
26.6.2 and 26.7.1 F and t by the incomplete beta function). From memory; the numbers are checked
against ``scipy.stats``.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

#: What is computed from arrays is an array; numbers from numbers.
Numbers = np.ndarray | np.float64


def normal_sf(x: ArrayLike) -> Numbers:
    """Probability that a standard normal number is above `x`."""
    chance: Numbers = special.ndtr(-np.asarray(x, float))
    return chance


def normal_isf(p: ArrayLike) -> Numbers:
    """What a standard normal number is above with probability `p`.

    >>> round(float(normal_isf(0.025)), 6)
    1.959964
    """
    return -normal_ppf(p)


def normal_ppf(p: ArrayLike) -> Numbers:
    """What a standard normal number is below with probability `p`."""
    below: Numbers = special.ndtri(p)
    return below


#: From an sd to what a normal number is within at 95 %, either way.
TIMES_SD = float(normal_isf(0.025))


def chi2_cdf(x: ArrayLike, dof: ArrayLike) -> Numbers:
    """Probability that chi-square of `dof` is below `x`."""
    return _where_any(dof, special.chdtr(dof, np.maximum(x, 0.0)))


def chi2_sf(x: ArrayLike, dof: ArrayLike) -> Numbers:
    """Probability that chi-square of `dof` is above `x`."""
    return _where_any(dof, special.chdtrc(dof, np.maximum(x, 0.0)))


def chi2_isf(p: ArrayLike, dof: ArrayLike) -> Numbers:
    """What chi-square of `dof` is above with probability `p`.

    >>> round(float(chi2_isf(0.05, 10)), 4)
    18.307
    """
    return _where_any(dof, special.chdtri(dof, p))


def chi2_ppf(p: ArrayLike, dof: ArrayLike) -> Numbers:
    """What chi-square of `dof` is below with probability `p`."""
    return _where_any(dof, 2.0 * special.gammaincinv(np.asarray(dof, float) / 2.0, p))


def t_isf(p: ArrayLike, dof: ArrayLike) -> Numbers:
    """What Student's t of `dof` is above with probability `p`."""
    return _where_any(dof, -special.stdtrit(dof, p))


def f_sf(x: ArrayLike, above: ArrayLike, below: ArrayLike) -> Numbers:
    """Probability that F of `above` and `below` degrees of freedom is above `x`."""
    above, below = np.asarray(above, float), np.asarray(below, float)
    share = below / (below + above * np.maximum(x, 0.0))
    return _where_any(np.minimum(above, below), special.betainc(below / 2.0, above / 2.0, share))


def f_isf(p: ArrayLike, above: ArrayLike, below: ArrayLike) -> Numbers:
    """What F of `above` and `below` degrees of freedom is above with probability `p`."""
    above, below, p = np.asarray(above, float), np.asarray(below, float), np.asarray(p, float)
    # The smaller of the two shares keeps its digits.
    left = special.betaincinv(below / 2.0, above / 2.0, p)
    right = special.betainccinv(above / 2.0, below / 2.0, p)
    with np.errstate(divide="ignore", invalid="ignore"):
        x = below / above * np.where(left < 0.5, (1.0 - left) / left, right / (1.0 - right))
    return _where_any(np.minimum(above, below), x)


def _where_any(dof: ArrayLike, value: ArrayLike) -> Numbers:
    """`value` where there are degrees of freedom, NaN elsewhere; a number for a number."""
    somewhere: Numbers = np.where(np.asarray(dof) > 0, value, np.nan)[()]
    return somewhere
