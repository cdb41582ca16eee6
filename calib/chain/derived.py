"""Quantities computed from the chain with every joint angle zero, and their gradients."""

import numpy as np

from calib.chain.motion import HOUSE_PLACEMENT
from calib.chain.rig import Rig

#: Two points nearer than this have neither distance nor direction that could change, m.
NO_LENGTH = 1e-9
_ALONG = ("ahead", "left", "above")


def derived_values(rig: Rig, parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """All of ``rig.derived`` at some parameters.

    Parameters
    ----------
    parameters : ndarray, shape (n_parameters,) or (n_machines, n_parameters)
        m or rad.

    Returns
    -------
    values : ndarray, shape (n_derived,), m or rad
    gradient : ndarray, shape (n_derived, n_parameters), m or rad per m or rad
        Of several machines, both have their number in front.
    """
    machines = np.atleast_2d(parameters)
    many, n_derived, whole = len(machines), len(rig.derived), np.shape(parameters)[:-1]
    values, gradient = np.empty((many, n_derived)), np.empty((many, n_derived, machines.shape[1]))
    if rig.derived:
        chain, index = rig.chain.with_frames
        posture = chain.posture(machines, HOUSE_PLACEMENT, np.zeros((many, len(rig.readings))))
        ends = [index[name] for d in rig.derived for name in (d.start, d.end)]
        points = posture.points(np.tile(ends, many), np.repeat(np.arange(many), len(ends)))
        at = points.position.reshape(many, n_derived, 2, 3)
        rates = points.by_parameters.reshape(*at.shape, -1)
        for i, derived in enumerate(rig.derived):
            values[:, i], slope = of_line(derived.measure, at[:, i, 1] - at[:, i, 0])
            gradient[:, i] = (slope[:, None] @ (rates[:, i, 1] - rates[:, i, 0]))[:, 0]
    return values.reshape(*whole, n_derived), gradient.reshape(*whole, *gradient.shape[1:])


def of_line(measure: str, arm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A length or angle of lines, with its derivative by their components.

    Parameters
    ----------
    measure : str
        "ahead", "left", "above", "distance", "bearing" left of the first axis seen along the third,
        or "inclination" towards the third.
    arm : ndarray, shape (n, 3)
        From start to end, m.

    Returns
    -------
    value : ndarray, shape (n,), m or rad
    slope : ndarray, shape (n, 3), m or rad per m
    """
    if measure in _ALONG:
        axis = _ALONG.index(measure)
        return arm[:, axis], np.broadcast_to(np.eye(3)[axis], arm.shape)
    x, y, z = arm.T
    if measure == "distance":
        length = np.linalg.norm(arm, axis=1)
        return length, arm / np.maximum(length, NO_LENGTH)[:, None]
    flat = np.hypot(x, y)
    if measure == "bearing":
        return np.arctan2(y, x), (np.array([-y, x, 0 * z])
                                  / np.maximum(flat, NO_LENGTH) ** 2).T
    ahead = z / np.maximum(flat, NO_LENGTH)
    return np.arctan2(z, flat), (np.array([-ahead * x, -ahead * y, flat])
                                 / np.maximum(flat**2 + z**2, NO_LENGTH**2)).T
