"""Critical values of the trade's outlier and global tests.

Sources: W. Baarda, *A Testing Procedure for Use in Geodetic Networks*, Netherlands Geodetic
Commission, Publications on Geodesy, New Series 2(5), Delft 1968 (noncentrality, B-method);
A. J. Pope, *The Statistics of Residuals and the Detection of Outliers*, NOAA Technical Report
NOS 65 NGS 1, 1976 (tau). Both from memory; the numbers are checked in ``tests/published``.
"""

from functools import cache
from math import sqrt

import numpy as np
from scipy.special import chndtrinc, chndtrix

from calib.adjust.distributions import chi2_isf, chi2_ppf, chi2_sf, t_isf

#: Probability of accusing a good observation in a one-dimensional test, and of finding a bad one
#: of just detectable size. Baarda's customary choice.
ALPHA, POWER = 0.001, 0.80


@cache
def noncentrality(alpha: float = ALPHA, power: float = POWER, dof: int = 1) -> float:
    """Baarda's lambda0: what a chi-square test of `dof` at level `alpha` finds with `power`.

    >>> round(noncentrality(0.001, 0.80), 4)
    17.0746
    """
    return float(chndtrinc(chi2_isf(alpha, dof), dof, 1.0 - power))


def delta0(alpha: float = ALPHA, power: float = POWER) -> float:
    """Square root of `noncentrality` in one dimension: detectable bias over its own sd.

    >>> round(delta0(), 5)
    4.13215
    """
    return sqrt(noncentrality(alpha, power))


@cache
def equal_power_limit(dof: int, alpha: float = ALPHA, power: float = POWER) -> float:
    """Chi-square limit of a test of `dof` at equal power (B-method).

    A bias that the one-dimensional test at `alpha` finds with `power` is found by this test with
    the same `power`; the level of this test follows, see `equal_power_level`.

    >>> round(equal_power_limit(3), 2)
    12.63
    """
    return float(chndtrix(1.0 - power, dof, noncentrality(alpha, power)))


def equal_power_level(dof: int, alpha: float = ALPHA, power: float = POWER) -> float:
    """Probability that a test of `dof` at equal power accuses good observations.

    >>> round(equal_power_level(3), 4)
    0.0055
    """
    return float(chi2_sf(equal_power_limit(dof, alpha, power), dof))


def pope_tau(dof: int, alpha: float = ALPHA) -> float:
    """Critical value of Pope's tau, two-sided, `alpha` per observation.

    Parameters
    ----------
    dof : int
        Degrees of freedom of the whole adjustment, at least 2: with 1 every tau is 1.

    Raises
    ------
    ValueError
        If `dof` is below 2.

    >>> round(pope_tau(10, 0.05), 4)
    1.9039
    """
    if dof < 2:
        raise ValueError(f"tau tests nothing with {dof} degrees of freedom; it takes 2 or more")
    quantile = t_isf(alpha / 2, dof - 1)
    return float(np.sqrt(dof) * quantile / np.sqrt(dof - 1 + quantile**2))


def per_test_level(run_level: float, tests: int) -> float:
    """Level of each of `tests` independent tests that together err at `run_level` (Sidak)."""
    return float(-np.expm1(np.log1p(-run_level) / tests))


def variance_factor_bounds(dof: int, confidence: float = 0.95) -> tuple[float, float]:
    """Two-sided bounds on chi2 / dof if the stated standard deviations are true.

    >>> [round(bound, 4) for bound in variance_factor_bounds(10)]
    [0.3247, 2.0483]
    """
    tail = (1 - confidence) / 2
    return float(chi2_ppf(tail, dof) / dof), float(chi2_isf(tail, dof) / dof)
