"""Serial correlation of regression residuals: the test of Durbin and Watson with its exact chance.

M. Ezekiel, *Methods of Correlation Analysis*, Wiley 1930: speed (mph) and stopping distance (ft) of
50 cars, as shipped with R under the name ``cars``; data, the fitted line (-17.5791 + 3.9324 speed,
residual standard error 15.38) and the printed result of the test of the residuals in the order of
the rows, DW = 1.6762 with a chance of 0.09522 for no positive correlation, from memory. The line
and DW are computed anew below, so that a slip in the data would show.
"""

import numpy as np
import pytest
from scipy import sparse

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.adjust.quadratic import chance_of_ratio

SPEED = np.array([
    4, 4, 7, 7, 8, 9, 10, 10, 10, 11, 11, 12, 12, 12, 12, 13, 13, 13, 13, 14, 14, 14, 14, 15, 15,
    15, 16, 16, 17, 17, 17, 18, 18, 18, 18, 19, 19, 19, 20, 20, 20, 20, 20, 22, 23, 24, 24, 24, 24,
    25.0])
DISTANCE = np.array([
    2, 10, 4, 22, 16, 10, 18, 26, 34, 17, 28, 14, 20, 24, 28, 26, 34, 34, 46, 26, 36, 60, 80, 20,
    26, 54, 32, 40, 32, 40, 50, 42, 56, 76, 84, 36, 46, 68, 32, 48, 52, 56, 64, 66, 54, 70, 92, 93,
    120, 85.0])


@pytest.fixture(scope="module", params=[1.0, 15.0])
def line(request):
    """A straight line through the cars; the sd that is taken for the distances does not matter."""
    n = len(SPEED)
    design = np.column_stack([np.ones(n), SPEED])
    observations = Observations.build(
        DISTANCE, np.arange(n), [np.eye(1) * request.param**2] * n, np.zeros((n, 0)),
        np.zeros((n, 0, 0)))

    def model(parameters, readings):
        return Prediction(design @ parameters, design, np.zeros((n, 0)))

    return adjust(model, observations, np.zeros(2))


def test_the_line_and_the_statistic(line):
    """Intercept, slope, residual standard error and DW as printed."""
    assert line.parameters == pytest.approx([-17.5791, 3.9324], abs=5e-5)
    residuals = line.residuals
    assert np.sqrt(residuals @ residuals / 48) == pytest.approx(15.38, abs=5e-3)
    assert np.sum(np.diff(residuals) ** 2) / (residuals @ residuals) == pytest.approx(
        1.6762, abs=5e-5)


def test_the_chance(line):
    """Positive correlation makes DW small: the chance of so small a one is 0.0952."""
    n = len(SPEED)
    steps = sparse.diags([-np.ones(n - 1), np.ones(n - 1)], [0, 1], shape=(n - 1, n))
    assert chance_of_ratio(line, -(steps.T @ steps).tocsr()) == pytest.approx(0.09522, abs=6e-6)
