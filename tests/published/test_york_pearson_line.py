"""A straight line with errors in both coordinates: Pearson's data with York's weights.

Sources: K. Pearson, Phil. Mag. 2 (1901) 559-572 (points); D. York, Can. J. Phys. 44 (1966)
1079-1086 (weights); D. York, N. Evensen, M. Martinez and J. Delgado, Am. J. Phys. 72 (2004)
367-375. Of the five conventions for the standard errors that circulate this is the one of York et
al. 2004: standard deviations as stated, evaluated at the adjusted points (convention A below).
Intercept, slope and S/8 as printed by Williamson and by Reed, the standard errors of convention A
to nine digits from an independent Gauss-Helmert iteration that agrees with the packages bfsl and
odrpack; convention C is York's formula of 1966, E that of A. Kalantar, Meas. Sci. Technol. 3
(1992) 1113.
"""

import numpy as np
import pytest

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction

X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
WEIGHT_X = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
WEIGHT_Y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])


def line(parameters, readings):
    """y = a + b x with x as the reading of each point."""
    a, b = parameters
    x = readings[:, 0]
    return Prediction(a + b * x, np.column_stack([np.ones_like(x), x]), np.full((len(x), 1), b))


@pytest.fixture(scope="module")
def solved():
    """The adjusted line, its points settled to 1e-9 of their sd."""
    observations = Observations.build(
        Y, range(10), 1 / WEIGHT_Y[:, None, None], X[:, None], 1 / WEIGHT_X[:, None, None])
    return adjust(line, observations, [5.0, -0.5], names=["intercept", "slope"], tolerance=1e-9)


def test_intercept_and_slope(solved):
    """The published line, to eight digits."""
    assert solved.parameters == pytest.approx([5.47991022, -0.480533407], rel=3e-9)


def test_sum_of_squares(solved):
    """S = 11.8663532 with 8 degrees of freedom; S/8 = 1.4833 in print."""
    assert solved.dof == 8
    assert solved.chi2 == pytest.approx(11.8663532, abs=6e-8)
    assert solved.variance_factor == pytest.approx(1.483294149, abs=6e-10)


def test_standard_errors_are_those_of_convention_a(solved):
    """Stated sds, evaluated at the adjusted points."""
    assert solved.sd == pytest.approx([0.294970735, 0.0579850090], rel=2e-9)
    assert solved.covariance[0, 1] == pytest.approx(-0.0164725, abs=6e-8)
    correlation = solved.covariance[0, 1] / solved.sd.prod()
    assert correlation == pytest.approx(-0.963088, abs=6e-7)


@pytest.mark.parametrize(
    ("convention", "others"),
    [("B: A times sqrt(S/8)", [0.359246523, 0.070620270]),
     ("C: at the observed abscissae", [0.2971258, 0.0583021]),
     ("E: propagation through the estimator", [0.2919335, 0.0576167])],
)
def test_standard_errors_are_not_those_of(solved, convention, others):
    """The conventions differ in the third digit: the engine must not drift from one to another."""
    assert (np.abs(solved.sd / others - 1) > 5e-3).all(), convention


def test_convention_b_is_the_scaled_sd(solved):
    """What scipy.odr calls sd_beta is the a-posteriori sd."""
    scaled = solved.sd * np.sqrt(solved.variance_factor)
    assert scaled == pytest.approx([0.359246523, 0.070620270], rel=1e-8)


def test_adjusted_points_lie_on_the_line(solved):
    """Corrections of x and residuals of y share the misfit by their variances (Deming)."""
    x = X + solved.corrections[:, 0]
    a, b = solved.parameters
    adjusted_y = Y - solved.residuals
    np.testing.assert_allclose(adjusted_y, a + b * x, rtol=0, atol=1e-12)
    # Stationarity: w_x v_x = -b w_y v_y with v measured - adjusted.
    np.testing.assert_allclose(WEIGHT_X * -solved.corrections[:, 0],
                               -b * WEIGHT_Y * solved.residuals, rtol=1e-7)


def test_the_coordinates_may_change_places(solved):
    """Errors in both coordinates: x on y is the same line."""
    observations = Observations.build(
        X, range(10), 1 / WEIGHT_X[:, None, None], Y[:, None], 1 / WEIGHT_Y[:, None, None])
    other = adjust(line, observations, [11.0, -2.0], tolerance=1e-9)
    a, b = other.parameters
    assert [-a / b, 1 / b] == pytest.approx(solved.parameters, rel=1e-8)
    assert other.chi2 == pytest.approx(solved.chi2, rel=1e-9)
