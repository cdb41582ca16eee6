"""Critical values: properties that need no table."""

import numpy as np
import pytest
from scipy.stats import chi2, norm

from calib.adjust.critical import (
    delta0,
    equal_power_level,
    equal_power_limit,
    noncentrality,
    per_test_level,
    pope_tau,
)


@pytest.mark.parametrize("power", [0.7, 0.8, 0.95])
def test_delta0_is_the_sum_of_two_normal_quantiles(power):
    """With the far tail negligible, delta0 = z(1 - alpha/2) + z(power)."""
    expected = norm.isf(0.0005) + norm.ppf(power)
    assert delta0(0.001, power) == pytest.approx(expected, abs=2e-5)


def test_equal_power_means_equal_power():
    """A simulated bias of just detectable size is found 80 % of the time in 1, 3 and 6 dof."""
    rng = np.random.default_rng(1)
    for dof in (1, 3, 6):
        x = rng.normal(size=(100_000, dof))
        x[:, 0] += np.sqrt(noncentrality())
        found = ((x**2).sum(1) > equal_power_limit(dof)).mean()
        assert found == pytest.approx(0.80, abs=4 * 0.4 / np.sqrt(100_000))


def test_one_dimension_keeps_its_level():
    """In one dimension the B-method changes nothing."""
    assert equal_power_level(1) == pytest.approx(0.001, rel=1e-9)
    assert equal_power_limit(1) == pytest.approx(chi2.isf(0.001, 1), rel=1e-9)


def test_tau_of_a_simulated_adjustment():
    """Residuals of a mean of six, over their estimated sd, pass Pope's limit at 5 %."""
    rng = np.random.default_rng(2)
    y = rng.normal(size=(100_000, 6))
    v = y - y.mean(1, keepdims=True)
    tau = v[:, 0] / np.sqrt((v**2).sum(1) / 5 * (1 - 1 / 6))
    assert (np.abs(tau) > pope_tau(5, 0.05)).mean() == pytest.approx(0.05, abs=0.003)


def test_tau_with_one_degree_of_freedom_is_refused():
    """With one degree of freedom every tau is 1: the test does not exist."""
    with pytest.raises(ValueError, match="tau tests nothing with 1 degrees of freedom"):
        pope_tau(1)


def test_many_tests_share_one_level():
    """Sidak: the chance that none of 48 tests errs is 95 %."""
    assert (1 - per_test_level(0.05, 48)) ** 48 == pytest.approx(0.95)
