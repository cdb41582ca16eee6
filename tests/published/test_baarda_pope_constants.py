"""Baarda's and Pope's constants.

delta0 = 4.13 and lambda0 = 17.075 at alpha 0.001, power 0.80 are quoted throughout the geodetic
literature after W. Baarda, *A Testing Procedure for Use in Geodetic Networks*, Delft 1968 (from
memory). The further digits, the other rows and the tau table were computed once with scipy's
distributions in another program, from the definitions; tau follows A. J. Pope, NOAA Technical
Report NOS 65 NGS 1, 1976.
"""

import pytest

from calib.adjust.critical import (
    delta0,
    equal_power_level,
    equal_power_limit,
    noncentrality,
    per_test_level,
    pope_tau,
    variance_factor_bounds,
)


@pytest.mark.parametrize(("alpha", "power", "lambda0", "delta"), [
    (0.001, 0.80, 17.07465, 4.13215),
    (0.001, 0.70, 14.55367, 3.81493),
    (0.001, 0.90, 20.90390, 4.57208),
    (0.001, 0.95, 24.35798, 4.93538),
    (0.0027, 0.80, 14.75788, 3.84160),
    (0.01, 0.80, 11.67897, 3.41745),
    (0.05, 0.80, 7.84886, 2.80158),
])
def test_noncentrality(alpha, power, lambda0, delta):
    """lambda0 and delta0 for the customary levels."""
    assert noncentrality(alpha, power) == pytest.approx(lambda0, abs=6e-6)
    assert delta0(alpha, power) == pytest.approx(delta, abs=6e-6)


@pytest.mark.parametrize(("dof", "limit", "level"), [
    (1, 10.8276, 0.00100), (2, 11.7300, 0.00284), (3, 12.6335, 0.00550), (4, 13.5381, 0.00893),
    (5, 14.4437, 0.01302), (10, 18.9871, 0.04043), (20, 28.1412, 0.10610), (50, 55.9829, 0.26042),
])
def test_limits_at_equal_power(dof, limit, level):
    """The B-method's limits and levels for several dimensions."""
    assert equal_power_limit(dof) == pytest.approx(limit, abs=6e-5)
    assert equal_power_level(dof) == pytest.approx(level, abs=6e-6)


@pytest.mark.parametrize(("dof", "at_05", "at_01", "at_001"), [
    (2, 1.4099, 1.4140, 1.4142), (3, 1.6454, 1.7147, 1.7303), (4, 1.7567, 1.9175, 1.9823),
    (5, 1.8143, 2.0509, 2.1781), (6, 1.8481, 2.1421, 2.3292), (10, 1.9039, 2.3236, 2.6786),
    (15, 1.9261, 2.4113, 2.8735), (20, 1.9358, 2.4539, 2.9749), (30, 1.9447, 2.4956, 3.0785),
    (50, 1.9512, 2.5282, 3.1626), (100, 1.9557, 2.5522, 3.2263), (1000, 1.9596, 2.5735, 3.2841),
])
def test_tau_table(dof, at_05, at_01, at_001):
    """Pope's tau per observation."""
    for alpha, tau in ((0.05, at_05), (0.01, at_01), (0.001, at_001)):
        assert pope_tau(dof, alpha) == pytest.approx(tau, abs=6e-5)


@pytest.mark.parametrize(("n", "dof", "tau"), [(10, 5, 2.1042), (20, 10, 2.5584), (50, 30, 3.0730)])
def test_tau_for_a_whole_adjustment(n, dof, tau):
    """Pope's own use: 5 % for all n observations together."""
    assert pope_tau(dof, per_test_level(0.05, n)) == pytest.approx(tau, abs=6e-5)


@pytest.mark.parametrize(("dof", "low", "high"), [
    (5, 0.1662, 2.5665), (10, 0.3247, 2.0483), (20, 0.4795, 1.7085),
])
def test_global_test_bounds(dof, low, high):
    """Two-sided 95 % bounds on the variance factor."""
    assert variance_factor_bounds(dof) == pytest.approx((low, high), abs=6e-5)
