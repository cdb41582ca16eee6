"""Correlated results carried through a formula: GUM, example H.2.

Source: JCGM 100:2008, *Evaluation of measurement data - Guide to the expression of uncertainty in
measurement*, H.2: resistance, reactance and impedance from simultaneous readings of voltage,
current and phase. Printed: R 127.732 (0.071), X 219.847 (0.295), Z 254.260 (0.236) ohm,
r(R,X) -0.588, r(R,Z) -0.485, r(X,Z) 0.993.
"""

import numpy as np
import pytest
from uncertainties import correlation_matrix, covariance_matrix, umath

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.uncertain import correlated_numbers

VOLTAGE = [5.007, 4.994, 5.005, 4.990, 4.999]
CURRENT = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
PHASE = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


@pytest.fixture(scope="module")
def measured():
    """Means and their covariance, by an adjustment of the five sets.

    The covariance of one set is that of the sample (4 dof), so that of the mean is a fifth.
    """
    sets = np.array([VOLTAGE, CURRENT, PHASE])
    design = np.tile(np.eye(3), (5, 1))
    solved = adjust(
        lambda x, _: Prediction(design @ x, design, np.zeros((15, 0))),
        Observations.build(sets.T.ravel(), np.repeat(range(5), 3), [np.cov(sets)] * 5),
        [1.0, 1.0, 1.0], names=["voltage", "current", "phase"],
    )
    return correlated_numbers(solved.parameters, solved.covariance)


def test_means_and_correlations(measured):
    """The inputs as printed: 4.9990 (32) V, 19.6610 (95) mA, 1.044 46 (75) rad."""
    voltage, current, phase = measured
    assert voltage.n == pytest.approx(4.9990, abs=5e-5)
    assert 1e3 * current.n == pytest.approx(19.6610, abs=5e-5)
    assert phase.n == pytest.approx(1.04446, abs=5e-6)
    assert [voltage.s, 1e3 * current.s, phase.s] == pytest.approx([0.0032, 0.0095, 0.00075],
                                                                  rel=0.01)
    correlation = np.array(correlation_matrix(measured))
    assert correlation[[0, 0, 1], [1, 2, 2]] == pytest.approx([-0.36, 0.86, -0.65], abs=0.006)


def test_results_as_printed(measured):
    """R, X, Z: values, standard deviations and all three correlations."""
    voltage, current, phase = measured
    ratio = voltage / current
    results = [ratio * umath.cos(phase), ratio * umath.sin(phase), ratio]
    assert [r.n for r in results] == pytest.approx([127.732, 219.847, 254.260], abs=6e-4)
    # 0.2956 for X; the print has 0.295.
    assert [r.s for r in results] == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
    correlation = np.array(correlation_matrix(results))
    assert correlation[[0, 0, 1], [1, 2, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=6e-4)


def test_uncorrelated_inputs_would_be_wrong(measured):
    """Without the correlations the uncertainty of R is nearly three times as large."""
    variances = np.diag(np.diag(covariance_matrix(measured)))
    voltage, current, phase = correlated_numbers([m.n for m in measured], variances)
    assert (voltage / current * umath.cos(phase)).s > 0.17
