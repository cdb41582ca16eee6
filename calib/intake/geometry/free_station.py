"""Where the instrument stood and how it was oriented, from sights to known points.

A set-up has four unknowns: east, north, up of the tilting axis and the orientation, the bearing of
the circle's zero. The closed form turns and shifts the sighted points on to the known ones; the
rigorous solution adjusts directions, zenith angles and distances, with the errors of the known
points and with whatever was measured of the set-up itself.

Resection of a level instrument by least squares; the closed form is the planar similarity
transformation without scale, as in Ghilani, Adjustment Computations (chapter on coordinate
transformations; from memory).
"""

from dataclasses import dataclass

import numpy as np

from calib.adjust.adjustment import Adjustment
from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction, Prior
from calib.intake.geometry.polar import (
    InstrumentSds,
    PolarShots,
    points,
    set_up_jacobian,
    shot_covariance,
)

UNKNOWNS = ("east", "north", "up", "orientation")


class NoStation(Exception):
    """The sights do not fix the set-up; the message says why."""


@dataclass(frozen=True)
class Station:
    """A set-up.

    Attributes
    ----------
    position : ndarray, shape (3,)
        Of the tilting axis, m.
    orientation : float
        rad, 0 to 2 pi.
    covariance : ndarray, shape (4, 4)
        East, north, up (m), orientation (rad).
    adjustment : Adjustment
        Residuals are those of the sighted points, m.
    """

    position: np.ndarray
    orientation: float
    covariance: np.ndarray
    adjustment: Adjustment


@dataclass(frozen=True)
class Given:
    """What was measured or agreed of a set-up beforehand, shapes (4,); NaN: unknown.

    Attributes
    ----------
    value, sd : ndarray
        m and rad, in the order of `UNKNOWNS`.
    """

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
    sights : PolarShots
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


def solve_station(
    sights: PolarShots,
    point: np.ndarray,
    known: np.ndarray,
    known_covariance: np.ndarray,
    sds: InstrumentSds,
    given: Given | None = None,
) -> Station:
    """A set-up by least squares.

    Parameters
    ----------
    sights : PolarShots
        One row per pointing; several may go to one point.
    point : ndarray of int, shape (n,)
        Which known point each pointing sights.
    known : ndarray, shape (m, 3)
        m.
    known_covariance : ndarray, shape (m, 3, 3)
        m^2; a zero matrix is an errorless point.
    sds : InstrumentSds
    given : Given, optional
        Prior knowledge of the set-up.

    Raises
    ------
    NoStation
        If there are too few points.
    calib.adjust.spectrum.NotDetermined
        If the points lie so that they fix nothing.
    """
    given = Given.nothing() if given is None else given
    position, orientation = approximate(sights, known[point], given)
    start = np.append(position, orientation)
    observations = _sighted(sights, point, known, known_covariance, orientation, sds)

    def model(unknowns, readings):
        computed = points(sights, unknowns[:3], unknowns[3])
        n = 3 * len(sights)
        design = set_up_jacobian(computed, unknowns[:3]).reshape(n, 4)
        return Prediction(computed.reshape(n), design, np.zeros((n, 0)))

    prior = Prior.none()
    index = np.flatnonzero(given.known)
    if len(index):
        prior = Prior.on_parameters(
            [UNKNOWNS[i] for i in index], index, given.value[index], given.sd[index])
    adjustment = adjust(model, observations, start, names=UNKNOWNS, prior=prior)
    found = adjustment.parameters
    return Station(found[:3], float(np.mod(found[3], 2 * np.pi)), adjustment.covariance,
                   adjustment)


def _sighted(sights, point, known, known_covariance, orientation, sds):
    """Known points as observed: polar errors, and the own error of a point in all its sights."""
    covariance = shot_covariance(sights, orientation, sds)
    blocks = []
    for m in range(len(known)):
        rows = np.flatnonzero(point == m)
        block = np.tile(known_covariance[m], (len(rows), len(rows)))
        for i, row in enumerate(rows):
            block[3 * i:3 * i + 3, 3 * i:3 * i + 3] += covariance[row]
        blocks.append(block)
    return Observations.build(known[point].reshape(-1), np.repeat(point, 3), blocks)
