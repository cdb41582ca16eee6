"""Calibration line of a thermometer: GUM, example H.3.

Source: JCGM 100:2008, *Evaluation of measurement data - Guide to the expression of uncertainty in
measurement*, H.3. Printed: intercept -0.1712 (0.0029), slope 0.002 18 (0.000 67), correlation
-0.930, s = 0.0035, correction at 30 degC -0.1494 (0.0041).
"""

import numpy as np
import pytest

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction

READING = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503,
                    26.010, 26.511])
CORRECTION = np.array([-.171, -.169, -.166, -.159, -.164, -.165, -.156, -.157, -.159, -.161,
                       -.160])


def solved_about(reference):
    """Correction = y1 + y2 (reading - reference); parameters, and their covariance scaled."""
    design = np.column_stack([np.ones(11), READING - reference])
    solved = adjust(
        lambda y, _: Prediction(design @ y, design, np.zeros((11, 0))),
        Observations.build(CORRECTION, range(11), np.ones((11, 1, 1))), [0.0, 0.0],
        names=["intercept", "slope"], tolerance=1e-6,
    )
    assert solved.dof == 9
    return solved, solved.variance_factor * solved.covariance


def test_as_printed():
    """Intercept, slope, sds and correlation to every digit in print."""
    solved, covariance = solved_about(20.0)
    sd = np.sqrt(np.diag(covariance))
    assert solved.parameters[0] == pytest.approx(-0.1712, abs=5e-5)
    assert solved.parameters[1] == pytest.approx(0.00218, abs=5e-6)
    assert sd[0] == pytest.approx(0.0029, abs=5e-5)
    assert sd[1] == pytest.approx(0.00067, abs=5e-6)
    assert covariance[0, 1] / sd.prod() == pytest.approx(-0.930, abs=5e-4)
    assert np.sqrt(solved.variance_factor) == pytest.approx(0.0035, abs=5e-5)


def test_correction_at_30():
    """A prediction's uncertainty needs the correlation: 0.0041, not the 0.0073 without it."""
    solved, covariance = solved_about(20.0)
    at = np.array([1.0, 10.0])
    assert at @ solved.parameters == pytest.approx(-0.1494, abs=5e-5)
    assert np.sqrt(at @ covariance @ at) == pytest.approx(0.0041, abs=5e-5)


def test_centred_at_the_mean_reading():
    """About the mean the two parameters are uncorrelated, and the line is the same."""
    mean = READING.mean()
    centred, covariance = solved_about(mean)
    sd = np.sqrt(np.diag(covariance))
    assert covariance[0, 1] / sd.prod() == pytest.approx(0.0, abs=1e-9)
    # s / sqrt(n): the uncertainty of a mean of eleven.
    assert sd[0] == pytest.approx(np.sqrt(centred.variance_factor / 11), rel=1e-9)
    assert centred.parameters[0] == pytest.approx(CORRECTION.mean(), abs=1e-12)

    solved, at_20 = solved_about(20.0)
    back = np.array([[1.0, 20.0 - mean], [0.0, 1.0]])
    np.testing.assert_allclose(back @ centred.parameters, solved.parameters, rtol=1e-9)
    np.testing.assert_allclose(back @ covariance @ back.T, at_20, rtol=1e-9)
