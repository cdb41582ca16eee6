"""Hat values and studentised residuals of the stack loss data, against statsmodels.

Source of the data: K. A. Brownlee, *Statistical Theory and Methodology in Science and
Engineering*, 2nd ed., Wiley 1965, p. 454 (21 days of an ammonia oxidation plant), as statsmodels
carries them. Estimates, standard errors and residual standard error as printed in N. R. Draper and
H. Smith, *Applied Regression Analysis* (from memory): -39.92, 0.7156, 1.2953, -0.1521; 11.90,
0.1349, 0.3680, 0.1563; 3.243 with 17 degrees of freedom.

The reference library is statsmodels: ``hat_matrix_diag`` is one less the redundancy number,
``resid_studentized_internal`` is Pope's tau (A. J. Pope, NOAA TR NOS 65 NGS 1, 1976) and
``resid_studentized_external`` is w over the standard deviation estimated without the observation.
Convention: all observations with sd 1, so a-posteriori sds are the engine's times the root of its
variance factor.
"""

import numpy as np
import pytest
import statsmodels.api as statsmodels
from scipy.stats import t

from calib.adjust.critical import pope_tau
from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.adjust.reliability import pope_taus, reliability


@pytest.fixture(scope="module")
def reference():
    """The regression by statsmodels."""
    data = statsmodels.datasets.stackloss.load_pandas()
    return statsmodels.OLS(data.endog, statsmodels.add_constant(data.exog)).fit()


@pytest.fixture(scope="module")
def solved(reference):
    """The same by the engine, every observation a block of its own with sd 1."""
    design = reference.model.exog
    n = len(design)

    def model(parameters, readings):
        return Prediction(design @ parameters, design, np.zeros((n, 0)))

    observations = Observations.build(reference.model.endog, range(n), np.ones((n, 1, 1)))
    return adjust(model, observations, np.zeros(4), tolerance=1e-9)


def test_regression(solved, reference):
    """Printed and library values of the fit itself."""
    assert np.round(solved.parameters[0], 2) == -39.92
    assert np.round(solved.parameters[1:], 4).tolist() == [0.7156, 1.2953, -0.1521]
    sd = solved.sd * np.sqrt(solved.variance_factor)
    assert np.round(sd[0], 2) == 11.90
    assert np.round(sd[1:], 4).tolist() == [0.1349, 0.3680, 0.1563]
    assert np.sqrt(solved.variance_factor) == pytest.approx(3.243, abs=5e-4)
    assert solved.dof == 17
    np.testing.assert_allclose(solved.covariance * solved.variance_factor,
                               reference.cov_params(), rtol=1e-8)


def test_hat_values_are_one_less_redundancy(solved, reference):
    """All 21, with the largest, 0.412 of day 17."""
    checks, hat = reliability(solved), reference.get_influence().hat_matrix_diag
    np.testing.assert_allclose(1 - checks.observations.redundancy, hat, rtol=1e-9)
    assert np.argmax(hat) == 16 and hat[16] == pytest.approx(0.412, abs=5e-4)


def test_tau_is_the_internally_studentised_residual(solved, reference):
    """All 21 with their signs; day 21 stands out, day 4 next."""
    tau = pope_taus(reliability(solved).observations.w, solved)
    influence = reference.get_influence()
    np.testing.assert_allclose(tau, influence.resid_studentized_internal, rtol=1e-8)
    order = np.argsort(-np.abs(tau))
    assert order[:2].tolist() == [20, 3]
    assert tau[20] == pytest.approx(-2.638, abs=5e-4)
    external = tau * np.sqrt((solved.dof - 1) / (solved.dof - tau**2))
    np.testing.assert_allclose(external, influence.resid_studentized_external, rtol=1e-8)


def test_critical_tau_is_critical_t(solved, reference):
    """Tau exceeds its critical value exactly where the external residual exceeds that of t."""
    dof = solved.dof
    for level in (0.2, 0.05, 0.01, 0.001):
        tau = pope_tau(dof, level)
        external = tau * np.sqrt((dof - 1) / (dof - tau**2))
        assert external == pytest.approx(t.isf(level / 2, dof - 1), rel=1e-10)
