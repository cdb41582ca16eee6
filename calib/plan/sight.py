"""What can be seen and reached from where the crew is."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from calib.calibration import HOUSE_PLACEMENT
from calib.chain.posture import Posture
from calib.chain.rig import Rig

#: A translation of at least this share of the longest one is a link of boom or stick.
LINK_SHARE = 0.35

#: The frame whose origin is the boom foot pin.
HOUSE = "house"

#: A target sits on a member that ends within this distance of the origin of its frame, m.
_OWN = 0.05


@dataclass(frozen=True)
class Site:
    """Where the machine stands and the instrument looks from; lengths in m.

    The defaults are common practice, no source.

    Attributes
    ----------
    foot_height : float
        Boom foot pin above the ground.
    clearance : float
        Edge and bucket pin stay this far above the ground.
    highest : float or None
        The edge, and whatever else needs a hand on it, stays this far above the ground at most:
        what a pole reaches. None: no limit.
    nearest : float
        The edge stays this far ahead of the boom foot pin: clear of tracks and cab.
    instrument : (float, float, float) or None
        Forward, left and up of the boom foot pin; None: nothing is asked of the lines of sight.
    least_angle : float
        Between the line of sight and the edge, rad: an edge seen end-on has no corners to aim at.
    arm_width : float
        Edge and lines of sight stay half this distance from the middle of boom and stick.
    house : (float, float, float)
        Length behind the boom foot, half width and height of the house that blocks the view.
    """

    foot_height: float = 1.9
    clearance: float = 0.05
    highest: float | None = 2.0
    nearest: float = 2.5
    instrument: tuple[float, float, float] | None = (14.0, 9.0, -0.3)
    least_angle: float = np.radians(15.0)
    arm_width: float = 0.7
    house: tuple[float, float, float] = (4.0, 1.5, 1.3)


def arm_pins(posture: Posture) -> list[np.ndarray]:
    """The pins from the boom foot to the end of the last long link, each of shape (n, 3), m."""
    lengths = np.linalg.norm(np.diff(posture.origins, axis=1), axis=2).max(0)
    links = np.flatnonzero(lengths >= LINK_SHARE * lengths.max())
    # The way from a swing axis to the boom foot pin is none of them.
    links = links[links >= posture.chain.depth.get(HOUSE, 0)]
    pins = posture.origins - house_origin(posture)[:, None]
    return [pins[:, links[0]], *(pins[:, i + 1] for i in links)]


def placed(posture: Posture, targets: Sequence[int] | np.ndarray) -> np.ndarray:
    """Positions of targets in every pose, from the house's origin, shape (n, t, 3), m."""
    n, t = len(posture.joints), len(targets)
    points = posture.points(np.tile(targets, n), np.repeat(np.arange(n), t))
    return points.position.reshape(n, t, 3) - house_origin(posture)[:, None]


def house_origin(posture: Posture) -> np.ndarray:
    """The boom foot pin from the stand, shape (n, 3), m: not zero where a house swings."""
    return posture.positions.get(HOUSE, np.zeros((len(posture.joints), 3)))


def swung(rig: Rig) -> np.ndarray:
    """Mask of the joints that swing the house, shape (n_readings,)."""
    return np.array([r.kind == "slew" for r in rig.readings])


def ahead(rig: Rig, parameters: np.ndarray, joints: np.ndarray) -> Posture:
    """The level machine at joint angles, shape (n, n_readings), rad, as its own house sees it."""
    readings = rig.chain.readings_for(parameters, np.where(swung(rig), 0.0, joints))
    return rig.chain.posture(parameters, HOUSE_PLACEMENT, readings, jacobian=False)


def eyes(rig: Rig, posture: Posture, joints: np.ndarray, site: Site) -> np.ndarray:
    """Where the instrument is as the house sees it in each pose, shape (n, 3) or (3,), m.

    `posture` is that of `ahead` at the joint angles.
    """
    eye, which = np.array(site.instrument), swung(rig)
    if not which.any():
        return eye
    turn, foot = -joints[:, which].sum(1), house_origin(posture)
    x, y, z = (eye + foot).T
    seen = np.stack([x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn), z],
                    axis=1)
    return seen - foot


def seen_targets(rig: Rig, posture: Posture, joints: np.ndarray,
                 targets: Sequence[int] | np.ndarray, site: Site) -> np.ndarray:
    """Mask (n, t) of the targets with a free line of sight from the instrument.

    `posture` is that of `ahead` at the joint angles.

    The house's box and the lines from pin to pin block it, less those a target itself sits on:
    a mark at the side of the boom, or the far end of its pin, is seen beside or below the boom.
    """
    shot = placed(posture, targets)
    seen = np.ones(shot.shape[:2], bool)
    if site.instrument is None:
        return seen
    eye, arm = eyes(rig, posture, joints, site), arm_pins(posture)
    origins = {name: at - house_origin(posture) for name, at in posture.positions.items()}
    for k, target in enumerate(targets):
        point, origin = shot[:, k], origins[rig.targets[target].frame]

        def own(pin, origin=origin):
            return np.linalg.norm(pin - origin, axis=1).max() < _OWN

        if not own(arm[0]):
            seen[:, k] &= ~_through_box(point, eye, site)
        for first, second in pairwise(arm):
            if not own(first) and not own(second):
                seen[:, k] &= segment_distance(eye, point, first, second) >= site.arm_width / 2
    return seen


def can_be_shot(rig: Rig, parameters: np.ndarray, joints: np.ndarray,
                targets: Sequence[int] | np.ndarray, site: Site) -> np.ndarray:
    """Mask (n, t) of the targets that a crew sees, and reaches if they need a hand on them.

    Parameters
    ----------
    joints : ndarray, shape (n, n_readings), rad
        Of the level machine.
    """
    targets = np.asarray(targets, int)
    posture = ahead(rig, parameters, joints)
    mask = seen_targets(rig, posture, joints, targets, site)
    if site.highest is not None:
        low = placed(posture, targets)[..., 2] + site.foot_height <= site.highest
        mask &= low | np.array([rig.targets[t].pointed_at for t in targets])
    return mask


def _through_box(point, eye, site):
    behind, half_width, height = site.house
    low = np.array([-behind, -half_width, -site.foot_height])
    high = np.array([0.3, half_width, height])
    direction = point - eye
    with np.errstate(divide="ignore", invalid="ignore"):
        first, second = (low - eye) / direction, (high - eye) / direction
    enter = np.nanmax(np.minimum(first, second), axis=1)
    leave = np.nanmin(np.maximum(first, second), axis=1)
    return (enter <= leave) & (leave >= 0) & (enter <= 1)


def segment_distance(a_first: np.ndarray, a_last: np.ndarray, b_first: np.ndarray,
                     b_last: np.ndarray) -> np.ndarray:
    """Least distance between two segments, shape (n,), m.

    C. Ericson, *Real-Time Collision Detection*, Morgan Kaufmann 2005, section 5.1.9 (from memory).
    """
    u, v, w = a_last - a_first, b_last - b_first, a_first - b_first
    a, b, c = (np.einsum("ni,ni->n", *pair) for pair in ((u, u), (u, v), (v, v)))
    d, e = np.einsum("ni,ni->n", u, w), np.einsum("ni,ni->n", v, w)
    a, c = np.maximum(a, 1e-12), np.maximum(c, 1e-12)
    s = np.clip((b * e - c * d) / np.maximum(a * c - b * b, 1e-12), 0.0, 1.0)
    t = np.clip((b * s + e) / c, 0.0, 1.0)
    s = np.clip((b * t - d) / a, 0.0, 1.0)
    return np.linalg.norm(w + s[:, None] * u - t[:, None] * v, axis=1)
