"""What several sources share: the similarity transformation as a model of the engine."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calib.adjust.observations import Prediction


def similarity(parameters, points):
    """y = T + s Rz(kappa) Ry(phi) Rx(omega) x, coordinate by coordinate.

    Parameters
    ----------
    parameters : ndarray, shape (7,)
        T (m), ln s, omega, phi, kappa (rad).
    points : ndarray, shape (n, 3), m
        x, as the readings of each point.
    """
    shift, scale, angles = parameters[:3], np.exp(parameters[3]), parameters[4:]
    about = [Rotation.from_rotvec(angle * axis).as_matrix()
             for angle, axis in zip(angles, np.eye(3), strict=True)]
    turned = [points @ about[0].T]
    turned += [turned[0] @ about[1].T]
    turned += [turned[1] @ about[2].T]
    rotation = about[2] @ about[1] @ about[0]
    moved = scale * turned[2]
    by_parameters = np.zeros((len(points), 3, 7))
    by_parameters[:, :, :3] = np.eye(3)
    by_parameters[:, :, 3] = moved
    by_parameters[:, :, 4] = scale * np.cross([1, 0, 0], turned[0]) @ (about[2] @ about[1]).T
    by_parameters[:, :, 5] = scale * np.cross([0, 1, 0], turned[1]) @ about[2].T
    by_parameters[:, :, 6] = scale * np.cross([0, 0, 1], turned[2])
    return Prediction(
        (shift + moved).ravel(), by_parameters.reshape(-1, 7),
        np.tile(scale * rotation, (len(points), 1)),
    )


@pytest.fixture(scope="session")
def similarity_model():
    """The similarity transformation of points given as readings."""
    return similarity
