"""Tails and quantiles against scipy.stats, an implementation of its own for most of them."""

import numpy as np
import pytest
from scipy import stats

from calib.adjust import distributions as ours

#: From a clean run to what no clean run shows.
CHANCES = np.concatenate([10.0 ** np.arange(-200, -1, 7.0), [0.025, 0.3, 0.5, 0.8, 0.975, 0.999]])
DOFS = np.array([1.0, 2.0, 3.0, 7.5, 40.0, 1000.0, 90_000.0])


def close(found, expected, rtol=1e-10):
    """Relative, also for the smallest chances."""
    np.testing.assert_allclose(found, expected, rtol=rtol, atol=0.0)


@pytest.mark.parametrize("dof", DOFS)
def test_chi_square(dof):
    """Both tails and both quantiles, to chances of 1e-200."""
    x = stats.chi2.isf(CHANCES, dof)
    close(ours.chi2_isf(CHANCES, dof), x)
    close(ours.chi2_ppf(CHANCES, dof), stats.chi2.ppf(CHANCES, dof))
    close(ours.chi2_sf(x, dof), stats.chi2.sf(x, dof))
    close(ours.chi2_cdf(x, dof), stats.chi2.cdf(x, dof))


def test_normal():
    """One-sided, to chances of 1e-200."""
    close(ours.normal_isf(CHANCES), stats.norm.isf(CHANCES))
    close(ours.normal_ppf(CHANCES), stats.norm.ppf(CHANCES))
    x = np.linspace(-9.0, 30.0, 79)
    close(ours.normal_sf(x), stats.norm.sf(x))


@pytest.mark.parametrize("dof", DOFS)
def test_student(dof):
    """Quantiles to chances of 1e-12: smaller ones scipy.stats has no digits for."""
    chances = CHANCES[CHANCES > 1e-12]
    close(ours.t_isf(chances, dof), stats.t.isf(chances, dof), 1e-8)


@pytest.mark.parametrize("above", DOFS[:-1])
@pytest.mark.parametrize("below", DOFS[:-1])
def test_f(above, below):
    """The upper tail and its quantiles; what the quantile is above has the chance asked for."""
    chances = CHANCES[CHANCES > 1e-12]
    x = ours.f_isf(chances, above, below)
    close(stats.f.sf(x, above, below), chances, 1e-8)
    close(ours.f_sf(x, above, below), stats.f.sf(x, above, below))


def test_no_degrees_of_freedom():
    """Nothing is tested then: NaN, which no comparison passes, and no number."""
    assert np.isnan(ours.chi2_sf(1.0, 0)) and np.isnan(ours.chi2_isf(0.05, 0))
    assert np.isnan(ours.chi2_ppf(0.05, 0)) and np.isnan(ours.t_isf(0.05, 0))
    assert np.isnan(ours.f_sf(1.0, 0, 5)) and np.isnan(ours.f_isf(0.05, 3, 0))
    np.testing.assert_array_equal(np.isnan(ours.chi2_sf([1.0, 1.0], [0, 2])), [True, False])


def test_many_at_once():
    """Draws of a simulation, of one distribution: as number by number."""
    x = np.concatenate([[0.0, 1400.0], np.random.default_rng(1).chisquare(4.0, 500)])
    for dof in (1, 2, 3, 6, 15):
        close(ours.chi2_sf(x, dof), stats.chi2.sf(x, dof))
        close(ours.f_sf(x, dof, 40), stats.f.sf(x, dof, 40))
