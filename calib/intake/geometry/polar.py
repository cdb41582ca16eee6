"""Raw total-station observations to points with their full covariance.

    bearing = direction + orientation
    east  = station_east  + distance sin(zenith) sin(bearing)
    north = station_north + distance sin(zenith) cos(bearing)
    up    = station_up    + distance cos(zenith) - target_height

The station's up is that of the instrument's tilting axis. Bearings are clockwise from north, the
zenith angle is 0 straight up. Earth curvature and refraction are left out: common practice for
sights this short, no source; `curvature_and_refraction` says how much that is.

The covariance here holds only what belongs to the shot itself: reading the circles, measuring the
distance, holding the target, pointing on the edge. What all shots of a set-up share (where the
instrument stands and how it is oriented) belongs to the adjustment, as unknowns of the set-up.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

EARTH_RADIUS = 6_371_000.0
"""Mean radius, m; only used to say how much curvature matters."""

REFRACTION = 0.13
"""Coefficient of refraction, common practice, no source."""


@dataclass(frozen=True)
class PolarShots:
    """Pointings of one or more set-ups, one row each."""

    direction: np.ndarray  #: Shape (n,). Horizontal circle, rad, clockwise.
    zenith: np.ndarray  #: Shape (n,), rad, between 0 and pi (face 1, or the mean of both faces).
    distance: np.ndarray  #: Shape (n,). Slope distance, m.
    target_height: np.ndarray  #: Shape (n,), m, taken off; 0 where the edge itself was sighted.
    #: Bool, shape (n,). True where direction and zenith are the mean of face 1 and face 2.
    both_faces: np.ndarray

    def __len__(self) -> int:
        return len(self.direction)

    def select(self, rows: Sequence[int] | np.ndarray) -> "PolarShots":
        """Some of the rows."""
        rows = np.array(rows, int)
        return PolarShots(*(column[rows] for column in vars(self).values()))


@dataclass(frozen=True)
class InstrumentSds:
    """Standard deviations of one pointing, rad and m.

    `direction` and `zenith` are those of the mean of both faces, as the makers' sheets state them
    after ISO 17123-3 (from memory): a pointing in one face only has sqrt(2) times that.
    """

    #: direction, zenith: rad.
    direction: float
    zenith: float
    #: distance, distance_ppm: a in m, and b in mm per km: the sd is their sum a + b * distance, as
    #: the sheets state it.
    distance: float
    distance_ppm: float = 0.0
    #: Target over the mark, horizontally, each axis, m (pole bubble or prism).
    centring: float = 0.0
    pointing: float = 0.0  #: Finding the edge's corner, each of the three axes, m.
    target_height: float = 0.0  #: m.


def points(shots: PolarShots, station: np.ndarray, orientation: ArrayLike) -> np.ndarray:
    """Positions of the targets.

    Parameters
    ----------
    station : ndarray, shape (3,) or (n, 3)
        East, north, up of the instrument's tilting axis, m.
    orientation : float or ndarray, shape (n,)
        Bearing of the circle's zero, rad.

    Returns
    -------
    ndarray, shape (n, 3)
        East, north, up, m.

    Examples
    --------
    A level sight of 10 m due east, on a pole of 1.5 m:

    >>> shot = PolarShots(*np.array([[np.pi / 2], [np.pi / 2], [10.0], [1.5]]), np.array([True]))
    >>> points(shot, np.array([100.0, 200.0, 30.0]), 0.0).round(6).tolist()
    [[110.0, 200.0, 28.5]]
    """
    bearing = shots.direction + orientation
    level = shots.distance * np.sin(shots.zenith)
    offset = np.stack(
        [
            level * np.sin(bearing),
            level * np.cos(bearing),
            shots.distance * np.cos(shots.zenith) - shots.target_height,
        ],
        axis=-1,
    )
    return np.asarray(station, float) + offset


def jacobian(shots: PolarShots, orientation: np.ndarray) -> np.ndarray:
    """Derivatives of east, north, up by direction, zenith, distance, target height.

    Returns
    -------
    ndarray, shape (n, 3, 4)
        m per rad and m per m.
    """
    bearing = shots.direction + orientation
    sin_b, cos_b = np.sin(bearing), np.cos(bearing)
    sin_z, cos_z = np.sin(shots.zenith), np.cos(shots.zenith)
    s, zero, one = shots.distance, np.zeros(len(shots)), np.ones(len(shots))
    by_direction = np.stack([s * sin_z * cos_b, -s * sin_z * sin_b, zero], axis=-1)
    by_zenith = np.stack([s * cos_z * sin_b, s * cos_z * cos_b, -s * sin_z], axis=-1)
    by_distance = np.stack([sin_z * sin_b, sin_z * cos_b, cos_z], axis=-1)
    by_height = np.stack([zero, zero, -one], axis=-1)
    return np.stack([by_direction, by_zenith, by_distance, by_height], axis=-1)


def shot_covariance(shots: PolarShots, orientation: np.ndarray, sds: InstrumentSds) -> np.ndarray:
    """Covariance of each position from the shot's own errors, set-up taken as errorless.

    First-order propagation; it fails only where the sd of an angle is no longer small against the
    angle to the zenith.

    Returns
    -------
    ndarray, shape (n, 3, 3)
        m^2.
    """
    face = np.where(shots.both_faces, 1.0, np.sqrt(2.0))
    sd = np.stack(
        [
            face * sds.direction,
            face * sds.zenith,
            distance_sd(shots.distance, sds),
            np.full(len(shots), sds.target_height),
        ],
        axis=-1,
    )
    scaled = jacobian(shots, orientation) * sd[:, None, :]
    held = np.array([sds.centring, sds.centring, 0.0]) ** 2 + sds.pointing**2
    return scaled @ scaled.transpose(0, 2, 1) + np.diag(held)


def distance_sd(distance: np.ndarray, sds: InstrumentSds) -> np.ndarray:
    """a + b * distance, m."""
    return sds.distance + sds.distance_ppm * 1e-6 * distance


def curvature_and_refraction(distance: float) -> float:
    """How much too low a target at this distance comes out when both are left out, m.

    Examples
    --------
    >>> round(curvature_and_refraction(100.0) * 1000, 2)
    0.68
    """
    return (1.0 - REFRACTION) * distance**2 / (2.0 * EARTH_RADIUS)
