"""The point of a site that becomes 0, 0, 0: whose up is that of the machine.

The topocentric frame has its up along the ellipsoid's normal at the origin. Some kilometres away
the normal has another direction, 0.009 deg per kilometre, and the house sensor feels the plumb line
where the machine stands: an origin far off is read as a house that leans.
"""

import numpy as np

from calib.chain.circle import wrapped
from calib.chain.rig import Rig
from calib.intake.declaration import Declaration
from calib.intake.geometry.geographic import to_local
from calib.run.complaints import Findings

_TOLD = 0.1
"""Share of the house sensor's sd from which a tilt of up is told; from the whole it is refused."""

_FARTHEST = 10_000.0
"""No job site reaches farther, m: common practice, no source."""

_USUAL_SD = np.radians(0.03)
"""Of a house sensor, where the rig states none: common practice, no source."""


def settle_origin(
    where: np.ndarray, declared: Declaration, rig: Rig, findings: Findings
) -> Declaration:
    """The declaration with an origin: the one declared if it fits, else the middle of the points.

    Parameters
    ----------
    where : ndarray, shape (n, 3)
        Latitude, longitude (rad), height (m) of all points.
    """
    middle = _middle(where)
    if declared.origin is None:
        latitude, longitude = np.degrees(middle[:2])
        origin = (round(float(latitude), 6), round(float(longitude), 6),
                  round(float(middle[2]), 1))
        findings.note("--origin", "not given: the middle of these points becomes 0, 0, 0, at "
                      f"{_in_words(origin)}. Say --origin {origin[0]:.6f},{origin[1]:.6f},"
                      f"{origin[2]:.1f} for everything that is to fit to this import")
        return declared.model_copy(update={"origin": origin})
    origin = _radians(declared.origin)
    away, tilt = _away(middle, origin), _tilt(middle, origin)
    if max(away, abs(middle[2] - origin[2])) > _FARTHEST and min(
            _away(middle, origin[[1, 0, 2]]), _away(middle[[1, 0, 2]], origin)) < _FARTHEST:
        findings.complain(
            "--origin", None, None, f"{_in_words(declared.origin)}, {_distance(away)} from the "
            f"points at {_in_words((*np.degrees(middle[:2]), middle[2]))}",
            "latitude, then longitude: one of the two has latitude and longitude exchanged")
        return declared
    # Of the joints that nobody drives, the house's pitch and roll.
    sd = min((r.sd for r in rig.readings if r.sd is not None and r.speed is None),
             default=_USUAL_SD)
    words = (f"{_distance(away)} from the middle of the points: tilts up by "
             f"{np.degrees(tilt):.3f} deg, where the house sensor's sd is "
             f"{np.degrees(sd):.3g} deg, {np.tan(min(tilt, 1.5)) * 10_000:.1f} mm in height over "
             "10 m")
    if tilt > sd or away > _FARTHEST:
        findings.complain("--origin", None, None, words, "a point of the job site (leave --origin "
                          "out: the middle of the points is taken)")
    elif tilt > _TOLD * sd:
        findings.note("--origin", words)
    return declared


def distance_in_words(where: np.ndarray, declared: Declaration) -> str:
    """How far the origin is from the middle of the points."""
    middle, origin = _middle(where), _radians(declared.origin)
    return (f"origin {_distance(_away(middle, origin))} from the middle of the points, which lie "
            f"at {_in_words((*np.degrees(middle[:2]), middle[2]))}")


def _middle(where):
    """Median latitude, longitude (the short way round) and height."""
    latitude, longitude, height = np.asarray(where, float).T
    turned = wrapped(longitude - longitude[0])
    middle = longitude[0] + np.median(turned)
    return np.array([np.median(latitude), float(wrapped(middle)),
                     np.median(height)])


def _radians(origin):
    out = np.array(origin, float)
    out[:2] = np.radians(out[:2])
    return out


def _away(point, origin):
    """Straight distance on the ellipsoid's surface, m; infinite where there is no such latitude."""
    if max(abs(point[0]), abs(origin[0])) > np.pi / 2:
        return np.inf
    flat = [np.array([*p[:2], 0.0]) for p in (point, origin)]
    return float(np.linalg.norm(to_local(flat[0][None], flat[1])[0]))


def _tilt(point, origin):
    """Angle between the ellipsoid's normals, rad."""
    one, other = (np.array([np.cos(p[0]) * np.cos(p[1]), np.cos(p[0]) * np.sin(p[1]),
                            np.sin(p[0])]) for p in (point, origin))
    return float(np.arctan2(np.linalg.norm(np.cross(one, other)), one @ other))


def _in_words(place):
    latitude, longitude, height = place
    return (f"{abs(latitude):.6f} {'N' if latitude >= 0 else 'S'}, "
            f"{abs(longitude):.6f} {'E' if longitude >= 0 else 'W'}, {height:.1f} m")


def _distance(metres):
    return f"{metres:.0f} m" if metres < 1000 else f"{metres / 1000:.1f} km"
