"""Angles are the same after a whole turn: their differences are taken the short way round."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike


def wrapped(angle: ArrayLike) -> np.ndarray:
    """An angle or an array of them, rad, brought into (-pi, pi].

    >>> [round(float(a), 9) for a in np.degrees(wrapped(np.radians([-360.04, 180.0, -180.0])))]
    [-0.04, 180.0, 180.0]
    """
    return np.pi - np.mod(np.pi - np.asarray(angle, float), 2 * np.pi)


def differences(second: ArrayLike, first: ArrayLike, units: Sequence[str]) -> np.ndarray:
    """Second less first, those of unit "deg" the short way round; m or rad, shape (n,)."""
    plain = np.asarray(second, float) - np.asarray(first, float)
    return np.where(np.asarray(units, object) == "deg", wrapped(plain), plain)
