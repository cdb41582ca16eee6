"""Quantities computed from the chain with every joint angle zero, and their gradients."""

from collections.abc import Sequence

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
        values[i], gradient[i] = of_line(
            derived.measure, list(zip(arms[i], rates[i], strict=True)))
    return values, gradient


def of_line(measure: str, parts: Sequence[tuple[float, np.ndarray]]) -> tuple[float, np.ndarray]:
    """A length or angle of a line, with its gradient.

    Parameters
    ----------
    measure : str
        "ahead", "left", "above", "distance", "bearing" left of the first axis seen along the third,
        or "inclination" towards the third.
    parts : sequence of (float, ndarray)
        The three components, m, each with its gradient, shape (p,).
    """
    (x, dx), (y, dy), (z, dz) = parts
    if measure in _ALONG:
        return parts[_ALONG.index(measure)]
    if measure == "distance":
        length = np.sqrt(x**2 + y**2 + z**2)
        return length, (x * dx + y * dy + z * dz) / max(length, NO_LENGTH)
    flat = np.hypot(x, y)
    if measure == "bearing":
        return np.arctan2(y, x), (x * dy - y * dx) / max(flat**2, NO_LENGTH**2)
    d_flat = (x * dx + y * dy) / max(flat, NO_LENGTH)
    return np.arctan2(z, flat), (flat * dz - z * d_flat) / max(flat**2 + z**2, NO_LENGTH**2)
