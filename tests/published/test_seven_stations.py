"""Seven-parameter transformation of seven stations, geocentric coordinates of 10^6 m.

Source: E. W. Grafarend and J. L. Awange, "Nonlinear analysis of the three-dimensional datum
transformation", Journal of Geodesy 77 (2003) 66-76. Published (from memory, and reproduced by a
closed-form fit): translation 641.8804, 68.6553, 416.3982 m, scale 1.000 005 5825.
"""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction

LOCAL = np.array([
    [4157222.543, 664789.307, 4774952.099], [4149043.336, 688836.443, 4778632.188],
    [4172803.511, 690340.078, 4758129.701], [4177148.376, 642997.635, 4760764.800],
    [4137012.190, 671808.029, 4791128.215], [4146292.729, 666952.887, 4783859.856],
    [4138759.902, 702670.738, 4785552.196]])
GLOBAL = np.array([
    [4157870.237, 664818.678, 4775416.524], [4149691.049, 688865.785, 4779096.588],
    [4173451.354, 690369.375, 4758594.075], [4177796.064, 643026.700, 4761228.899],
    [4137659.549, 671837.337, 4791592.531], [4146940.228, 666982.151, 4784324.099],
    [4139407.506, 702700.227, 4786016.645]])


@pytest.fixture(scope="module")
def solved(similarity_model):
    """Adjusted with unit sds and the local coordinates taken as exact."""
    def model(parameters, _):
        prediction = similarity_model(parameters, LOCAL)
        return Prediction(prediction.values, prediction.by_parameters, np.zeros((21, 0)))

    observations = Observations.build(GLOBAL.ravel(), np.repeat(range(7), 3), [np.eye(3)] * 7)
    return adjust(model, observations, np.zeros(7), tolerance=1e-8)


def test_translation_and_scale(solved):
    """As published: tenths of a millimetre, and 1e-10 of the scale."""
    assert solved.parameters[:3] == pytest.approx([641.8804, 68.6553, 416.3982], abs=6e-5)
    assert np.exp(solved.parameters[3]) == pytest.approx(1.0000055825, abs=6e-11)


def test_rotation_and_residuals(solved):
    """Rotation vector in arcseconds and the misfit, by the closed form (Kabsch 1976)."""
    omega, phi, kappa = solved.parameters[4:]
    rotation = Rotation.from_euler("xyz", [omega, phi, kappa])
    arcsec = np.degrees(rotation.as_rotvec()) * 3600
    assert arcsec == pytest.approx([0.998500, -0.893693, -0.993090], abs=6e-6)
    assert np.sqrt(solved.chi2) == pytest.approx(0.2890, abs=6e-5)
    assert solved.residuals[:3] == pytest.approx([0.0940, 0.1351, 0.1402], abs=6e-5)
    centred = [points - points.mean(0) for points in (GLOBAL, LOCAL)]
    closed, _ = Rotation.align_vectors(*centred)
    np.testing.assert_allclose(rotation.as_matrix(), closed.as_matrix(), rtol=0, atol=1e-12)
