"""Quantities computed from the chain with every joint angle zero, and their gradients."""

import numpy as np

from calib.chain.motion import HOUSE_PLACEMENT
from calib.chain.rig import Rig

#: Two points nearer than this have neither distance nor bearing that could change, m.
_NO_LENGTH = 1e-9
_AXIS = {"ahead": 0, "left": 1, "above": 2}


def derived_values(rig: Rig, parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """All of ``rig.derived`` at some parameters.

    Parameters
    ----------
    parameters : ndarray, shape (n_parameters,)
        m or rad.

    Returns
    -------
    values : ndarray, shape (n_derived,), m or rad
    gradient : ndarray, shape (n_derived, n_parameters), m or rad per m or rad
    """
    if not rig.derived:
        return np.zeros(0), np.zeros((0, len(parameters)))
    chain, index = rig.chain.with_frames
    posture = chain.posture(parameters, HOUSE_PLACEMENT, np.zeros((1, len(rig.readings))))
    ends = [index[name] for d in rig.derived for name in (d.start, d.end)]
    points = posture.points(np.array(ends), np.zeros(len(ends), int))
    arms = points.position[1::2] - points.position[::2]
    rates = points.by_parameters[1::2] - points.by_parameters[::2]
    values, gradient = np.empty(len(arms)), np.empty((len(arms), len(parameters)))
    for i, derived in enumerate(rig.derived):
        if derived.measure == "distance":
            values[i] = np.linalg.norm(arms[i])
            gradient[i] = arms[i] @ rates[i] / max(values[i], _NO_LENGTH)
        elif derived.measure == "bearing":
            ahead, left, _ = arms[i]
            values[i] = np.arctan2(left, ahead)
            gradient[i] = (ahead * rates[i, 1] - left * rates[i, 0]) / max(
                ahead**2 + left**2, _NO_LENGTH**2)
        else:
            axis = _AXIS[derived.measure]
            values[i], gradient[i] = arms[i, axis], rates[i, axis]
    return values, gradient
