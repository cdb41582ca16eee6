"""Latitude, longitude and ellipsoidal height to a local site frame, and grid to ground.

The site frame is the topocentric frame of the origin: east, north, up along the ellipsoid's
normal there. It is rigid, so distances are true distances. Over the ellipsoid it is not flat: a
point 200 m away at the same ellipsoidal height lies 3 mm lower in it.

Formulas: geographic to geocentric and geocentric to topocentric conversion, IOGP Geomatics
Guidance Note 7 part 2 (EPSG methods 9602 and 9836).
"""

import numpy as np

#: Semi-major axis, m, and flattening of WGS 84.
_SEMI_MAJOR, _FLATTENING = 6378137.0, 1.0 / 298.257223563


def geocentric(geographic: np.ndarray) -> np.ndarray:
    """Geocentric coordinates, on the ellipsoid of WGS 84.

    Parameters
    ----------
    geographic : ndarray, shape (n, 3) or (3,)
        Latitude and longitude in rad, ellipsoidal height in m.

    Returns
    -------
    ndarray, same shape
        X, Y, Z in m.
    """
    latitude, longitude, height = np.moveaxis(np.asarray(geographic, float), -1, 0)
    e2 = _FLATTENING * (2.0 - _FLATTENING)
    prime_vertical = _SEMI_MAJOR / np.sqrt(1.0 - e2 * np.sin(latitude) ** 2)
    return np.stack(
        [
            (prime_vertical + height) * np.cos(latitude) * np.cos(longitude),
            (prime_vertical + height) * np.cos(latitude) * np.sin(longitude),
            ((1.0 - e2) * prime_vertical + height) * np.sin(latitude),
        ],
        axis=-1,
    )


def to_local(geographic: np.ndarray, origin: np.ndarray) -> np.ndarray:
    """East, north, up from the origin.

    Parameters
    ----------
    geographic : ndarray, shape (n, 3)
        Latitude and longitude in rad, ellipsoidal height in m.
    origin : ndarray, shape (3,)
        Likewise.

    Returns
    -------
    ndarray, shape (n, 3)
        m.

    Examples
    --------
    The worked example of Guidance Note 7 part 2 (from memory), to the millimetre:

    >>> point = np.radians([53 + 48 / 60 + 33.820 / 3600, 2 + 7 / 60 + 46.380 / 3600, 0.0])
    >>> origin = np.radians([55.0, 5.0, 0.0])
    >>> point[2], origin[2] = 73.0, 200.0
    >>> to_local(point[None], origin).round(3).tolist()
    [[-189013.869, -128642.04, -4220.171]]
    """
    latitude, longitude, _ = np.asarray(origin, float)
    sin_lat, cos_lat = np.sin(latitude), np.cos(latitude)
    sin_lon, cos_lon = np.sin(longitude), np.cos(longitude)
    geocentric2local = np.array(
        [
            [-sin_lon, cos_lon, 0.0],
            [-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat],
            [cos_lat * cos_lon, cos_lat * sin_lon, sin_lat],
        ]
    )
    offset = geocentric(geographic) - geocentric(origin)
    return offset @ geocentric2local.T


def grid_to_ground(position: np.ndarray, factor: float, about: np.ndarray) -> np.ndarray:
    """Horizontal coordinates from the map grid to the ground.

    The combined factor is grid distance over ground distance (scale of the projection times the
    elevation factor). Heights stay. Distances from `about` are divided by the factor.

    Parameters
    ----------
    position : ndarray, shape (n, 3)
        East, north, up, m.
    factor : float
        Such as 0.99962.
    about : ndarray, shape (2,)
        The point that keeps its coordinates, m. It must be the same for everything that is to fit
        together.

    Returns
    -------
    ndarray, shape (n, 3)
    """
    out = np.array(position, float)
    out[:, :2] = about + (out[:, :2] - about) / factor
    return out


def scale_effect(factor: float) -> float:
    """What leaving the factor out would do to 12 m on the ground, m.

    Examples
    --------
    >>> round(scale_effect(0.9996) * 1000, 1)
    4.8
    """
    return 12.0 * (1.0 / factor - 1.0)
