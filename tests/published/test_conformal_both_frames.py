"""Three-dimensional conformal transformation with errors in both frames.

Data: C. D. Ghilani and P. R. Wolf, *Adjustment Computations* (the attribution is from memory), as
found in a script for total least squares that gives the scale 0.949 954 9354. The other numbers
come from an independent Gauss-Helmert adjustment that linearises at the adjusted points and gives
the scale 0.949 954 9355.
"""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations

MEASURED = np.array([[1094.883, 820.085, 109.821], [503.891, 1598.698, 117.685],
                     [2349.343, 207.658, 151.387], [1395.320, 1348.853, 215.261]])
MEASURED_SD = 1e-3 * np.array([[7, 8, 5], [11, 8, 9], [6, 5, 7], [5, 8, 9]])
CONTROL = np.array([[10037.81, 5262.09, 772.04], [10956.68, 5128.17, 783.00],
                    [8780.08, 4840.29, 782.62], [10185.80, 4700.21, 851.32]])
CONTROL_SD = 1e-2 * np.array([[5, 6, 5], [4, 6, 9], [2, 4, 2], [3, 5, 3]])


def dms(sign, degrees, minutes, seconds):
    """Radians."""
    return sign * np.radians(degrees + minutes / 60 + seconds / 3600)


@pytest.fixture(scope="module")
def solved(similarity_model):
    """Both frames random: the control as observations, the measured points as readings."""
    observations = Observations.build(
        CONTROL.ravel(), np.repeat(range(4), 3), [np.diag(sd**2) for sd in CONTROL_SD],
        MEASURED, [np.diag(sd**2) for sd in MEASURED_SD])
    start = [1e4, 6500.0, 700.0, 0.0, 0.0, 0.0, dms(1, 220, 0, 0)]
    return adjust(similarity_model, observations, start, tolerance=1e-8)


def test_scale(solved):
    """The scale of a total-least-squares script and of a Gauss-Helmert program, to 1e-10."""
    assert np.exp(solved.parameters[3]) == pytest.approx(0.9499549354, abs=2e-10)


def test_angles_and_translation(solved):
    """Rotations to a hundredth of an arcsecond, translation to a tenth of a millimetre."""
    assert solved.parameters[:3] == pytest.approx([10233.8542, 6549.9641, 720.8663], abs=1.1e-4)
    expected = [dms(1, 2, 16, 59.90), dms(-1, 0, 33, 5.59), dms(1, 224, 32, 11.56)]
    # There the angles turn the frame, one after the other about its own axes: Rx Ry Rz.
    rotation = Rotation.from_euler("xyz", solved.parameters[4:])
    turn = (rotation.as_euler("XYZ") - expected + np.pi) % (2 * np.pi) - np.pi
    assert np.degrees(turn) * 3600 == pytest.approx([0, 0, 0], abs=6e-3)


def test_misfit_and_sds(solved):
    """v'Pv over both frames with 5 dof; sds as stated and scaled."""
    assert solved.dof == 5
    assert solved.chi2 == pytest.approx(8.29869, abs=6e-6)
    scale_sd = np.exp(solved.parameters[3]) * solved.sd[3]
    assert scale_sd == pytest.approx(1.6974e-5, abs=6e-10)
    assert solved.sd[:3] == pytest.approx([.05123, .04259, .16910], abs=6e-6)
    factor = np.sqrt(solved.variance_factor)
    assert factor * scale_sd == pytest.approx(2.1868e-5, abs=6e-10)
    assert factor * solved.sd[:3] == pytest.approx([.06600, .05486, .21786], abs=6e-6)


def test_misfit_is_shared_by_both_frames(solved):
    """The sum of squares of residuals and corrections over their sds is v'Pv."""
    squares = (solved.residuals.reshape(4, 3) / CONTROL_SD) ** 2
    squares += (solved.corrections / MEASURED_SD) ** 2
    assert squares.sum() == pytest.approx(solved.chi2, rel=1e-6)
