"""Where the instrument stood and how it was oriented, from sights to known points.

A set-up has four unknowns: east, north, up of the tilting axis and the orientation, the bearing of
the circle's zero. The closed form turns and shifts the sighted points on to the known ones: the
planar similarity transformation without scale, as in Ghilani, Adjustment Computations (chapter on
coordinate transformations; from memory). `calib.stations` adjusts what is left.
"""

from dataclasses import dataclass

import numpy as np

from calib.intake.geometry.polar import PolarShots, points


class NoStation(Exception):
    """The sights do not fix the set-up; the message says why."""


@dataclass(frozen=True)
class Given:
    """What was measured or agreed of a set-up beforehand, shapes (4,); NaN: unknown."""

    #: value, sd: East, north, up (m) and orientation (rad).
    value: np.ndarray
    sd: np.ndarray

    @classmethod
    def nothing(cls) -> "Given":
        return cls(np.full(4, np.nan), np.full(4, np.nan))

    @property
    def known(self) -> np.ndarray:
        return np.isfinite(self.value)


def approximate(
    sights: PolarShots, known: np.ndarray, given: Given
) -> tuple[np.ndarray, float]:
    """Position and orientation in closed form.

    Parameters
    ----------
    known : ndarray, shape (n, 3)
        The points sighted, m.
    given : Given
        Components known beforehand are kept.

    Raises
    ------
    NoStation
        For less than two different points, if the position is unknown; one, if it is known.

    Examples
    --------
    >>> sights = PolarShots(*np.array([[0, np.pi / 2], [np.pi / 2] * 2, [10.0, 5.0], [0, 0]]),
    ...                     np.array([True, True]))
    >>> position, orientation = approximate(
    ...     sights, np.array([[100.0, 210.0, 30.0], [105.0, 200.0, 30.0]]), Given.nothing())
    >>> position.round(6).tolist(), round(orientation, 6)
    ([100.0, 200.0, 30.0], 0.0)
    """
    if len(known) == 0 and not given.known.all():
        raise NoStation("no known point was sighted")
    if given.known.all():
        return given.value[:3].copy(), float(np.mod(given.value[3], 2 * np.pi))
    level = given.known[:2]
    turned = points(sights, np.zeros(3), 0.0)
    if level.all():
        arm, target = turned[:, :2], known[:, :2] - given.value[:2]
    else:
        arm, target = turned[:, :2] - turned[:, :2].mean(0), known[:, :2] - known[:, :2].mean(0)
    orientation = given.value[3]
    if np.isnan(orientation):
        apart = level.all() or np.ptp(known[:, :2], axis=0).max() > 1e-6
        if not apart or not (np.hypot(*arm.T) > 1e-6).any():
            raise NoStation(
                "one known point sighted from a known position, or two known points apart from "
                "each other, are needed")
        # Clockwise turn that carries the arms on to the targets.
        across = arm[:, 1] * target[:, 0] - arm[:, 0] * target[:, 1]
        along = arm[:, 0] * target[:, 0] + arm[:, 1] * target[:, 1]
        orientation = float(np.arctan2(across.sum(), along.sum()))
    position = given.value[:3].copy()
    if np.isnan(position).any():
        found = (known - points(sights, np.zeros(3), orientation)).mean(0)
        position = np.where(np.isnan(position), found, position)
    return position, float(np.mod(orientation, 2 * np.pi))
