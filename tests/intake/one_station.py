"""One set-up by itself, adjusted with its own four values as unknowns: an oracle.

The project adjusts what approximate values of set-ups lack, as pseudo-observations of all that was
solved (`calib.stations`); this one observes the known points with what a sight says of them.
"""

from dataclasses import dataclass

import numpy as np

from calib.adjust.adjustment import Adjustment
from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction, Prior
from calib.intake.geometry.free_station import Given, approximate
from calib.intake.geometry.polar import InstrumentSds, PolarShots, points, shot_covariance
from tests.adjust.priors import prior_on

UNKNOWNS = ("east", "north", "up", "orientation")


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


def set_up_jacobian(position: np.ndarray, station: np.ndarray) -> np.ndarray:
    """Derivatives of positions by the set-up's east, north, up (m) and orientation (rad).

    A larger orientation turns every position clockwise about the vertical through the station.

    Returns
    -------
    ndarray, shape (n, 3, 4)
    """
    arm = position - station
    out = np.zeros((len(position), 3, 4))
    out[:, :, :3] = np.eye(3)
    out[:, 0, 3] = arm[:, 1]
    out[:, 1, 3] = -arm[:, 0]
    return out


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
        prior = prior_on(
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
