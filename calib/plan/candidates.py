"""Poses to choose from: joint angles over the limits, less those that cannot be shot."""

from dataclasses import dataclass, replace
from itertools import pairwise, product

import numpy as np

from calib.calibration import HOUSE_PLACEMENT
from calib.chain.chain import Posture
from calib.chain.rig import Rig
from calib.chain.sensors import BLIND_GAIN
from calib.edge import edge_points

#: A translation of at least this share of the longest one is a link of boom or stick.
LINK_SHARE = 0.35

#: A reading has room if it may be off by this much, rad.
_ROOM = np.radians(1.0)

#: Joint angles at their limit are within it.
_ROUNDING = 1e-9

#: Neither readings nor parameters will be exactly those planned: a plan uses this share of what a
#: sensor can see.
_SHARE = 0.75


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
        The edge stays this far above the ground at most: what a pole or a steep sight reaches.
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
    highest: float | None = None
    nearest: float = 2.5
    instrument: tuple[float, float, float] | None = (14.0, 9.0, -0.3)
    least_angle: float = np.radians(15.0)
    arm_width: float = 0.7
    house: tuple[float, float, float] = (4.0, 1.5, 1.3)


@dataclass(frozen=True)
class Candidates:
    """Feasible poses.

    Attributes
    ----------
    joints : ndarray, shape (n, n_readings)
        rad.
    asked : int
        How many were looked at.
    removed : dict of str to int
        What took how many away, each pose counted once, at the first rule that it breaks.
    """

    joints: np.ndarray
    asked: int
    removed: dict[str, int]


class NoPose(Exception):
    """The limits leave nothing; `candidates` says what removed how many."""

    def __init__(self, candidates: Candidates):
        self.candidates = candidates
        reasons = "; ".join(f"{why}: {count}" for why, count in candidates.removed.items())
        super().__init__(f"none of {candidates.asked} poses can be shot ({reasons})")


def candidate_poses(
    rig: Rig, parameters, targets, site: Site, count: int = 20_000, seed: int = 0
) -> Candidates:
    """A low-discrepancy set over the joints' limits and its corners, less the infeasible.

    Joints that nobody drives (pitch and roll of the house) stay level. The house is not slewed
    within a stand, so slew is no joint here.

    Parameters
    ----------
    parameters : ndarray, shape (n_parameters,)
    targets : sequence of int
        What is shot in every pose.

    Raises
    ------
    NoPose
        If no pose is left, with the counts.
    """
    joints = _spread(rig, count, seed)
    left, removed = np.ones(len(joints), bool), {}
    for why, passed in _rules(rig, parameters, joints, targets, site):
        removed[why] = int(np.sum(left & ~passed))
        left &= passed
    if left.any():
        workable = _workable(rig, parameters, joints[left], targets, site)
        removed["a reading would have no room either way"] = int(np.sum(~workable))
        left[left] = workable
    candidates = Candidates(joints[left], len(joints), removed)
    if not left.any():
        raise NoPose(candidates)
    return candidates


def feasible(rig: Rig, parameters, joints, targets, site: Site) -> np.ndarray:
    """Mask of the poses (joints of shape (n, n_readings), rad) within the limits that can be shot.
    """
    low = np.array([r.low for r in rig.readings]) - _ROUNDING
    high = np.array([r.high for r in rig.readings]) + _ROUNDING
    turns = high - low >= 2 * np.pi  # no limit at all
    mask = (turns | (joints >= low) & (joints <= high)).all(1)
    # What a plan keeps in reserve is there to be used.
    for _, passed in _rules(rig, parameters, joints, targets, replace(site, clearance=0.0), 1.0):
        mask &= passed
    return mask


def joints_at(rig: Rig, parameters, readings) -> np.ndarray:
    """Joint angles of the level machine at readings of shape (n, n_readings), rad."""
    level = np.tile(HOUSE_PLACEMENT, (len(readings), 1))
    return rig.chain.posture(parameters, level, readings, jacobian=False).joints


def _workable(rig, parameters, joints, targets, site):
    """Mask of the poses in which every driven reading has room to one side, the others as they are.

    Nobody can bring a machine to a pose that is impossible all around.
    """
    readings, workable = rig.chain.readings_for(parameters, joints), np.ones(len(joints), bool)
    for i in _driven(rig):
        room = np.zeros(len(joints), bool)
        for step in (-_ROOM, _ROOM):
            moved = readings.copy()
            moved[:, i] += step
            room |= feasible(rig, parameters, joints_at(rig, parameters, moved), targets, site)
        workable &= room
    return workable


def _driven(rig):
    """The readings of joints that somebody drives."""
    return [i for i, r in enumerate(rig.readings) if r.speed is not None]


def _spread(rig, count, seed):
    from scipy.stats import qmc  # a large library, needed here alone

    driven = _driven(rig)
    low = np.array([rig.readings[i].low for i in driven])
    high = np.array([rig.readings[i].high for i in driven])
    corners = np.array(list(product((0.0, 1.0), repeat=len(driven))))[:count]
    inside = qmc.Sobol(len(driven), seed=seed).random_base2(
        int(np.ceil(np.log2(max(2, count - len(corners)))))
    )[: count - len(corners)]
    joints = np.zeros((len(corners) + len(inside), len(rig.readings)))
    joints[:, driven] = low + np.vstack([corners, inside]) * (high - low)
    return joints


def _rules(rig, parameters, joints, targets, site, share=_SHARE):
    """(what removes, mask of poses that pass) in the order in which they are asked."""
    parameters, targets = np.asarray(parameters, float), np.asarray(targets, int)
    readings = rig.chain.readings_for(parameters, joints)
    level = np.tile(HOUSE_PLACEMENT, (len(joints), 1))
    posture = rig.chain.posture(parameters, level, readings, jacobian=False)
    shot, edge = _placed(posture, targets), _placed(posture, np.array(edge_points(rig)))
    arm = arm_pins(posture)
    seen = (np.abs(posture.gain) < share * BLIND_GAIN).all(1)
    seen &= np.abs(posture.joints - joints).max(1) < 1e-6
    yield "a sensor would be blind", seen
    lowest = site.clearance - site.foot_height
    yield "the edge would be in the ground", (edge[..., 2] > lowest).all(1)
    yield "a pin would be in the ground", np.all([p[:, 2] > lowest for p in arm], axis=0)
    if site.highest is not None:
        yield "the edge would be higher than allowed", (
            edge[..., 2] < site.highest - site.foot_height).all(1)
    yield "the edge would be nearer to the machine than allowed", (
        edge[..., 0] > site.nearest).all(1)
    yield "the edge would touch boom or stick", _clear_of(arm, edge, site.arm_width / 2)
    if site.instrument is not None:
        eye = np.array(site.instrument)
        yield "a corner would be seen too nearly along the edge", _open_angle(edge, eye, site)
        yield "the machine would be in the line of sight", ~_hidden(arm, shot, eye, site)


def arm_pins(posture: Posture) -> list[np.ndarray]:
    """The pins from the boom foot to the end of the last long link, each of shape (n, 3), m."""
    lengths = np.linalg.norm(np.diff(posture.origins, axis=1), axis=2).max(0)
    links = np.flatnonzero(lengths >= LINK_SHARE * lengths.max())
    return [posture.origins[:, links[0]], *(posture.origins[:, i + 1] for i in links)]


def _placed(posture, targets):
    """Positions of targets in every pose, shape (n, t, 3)."""
    n, t = len(posture.joints), len(targets)
    points = posture.points(np.tile(targets, n), np.repeat(np.arange(n), t))
    return points.position.reshape(n, t, 3)


def _open_angle(edge, eye, site):
    """Whether the edge, first to last target on it, is not seen end-on."""
    along = edge[:, -1] - edge[:, 0]
    sight = edge.mean(1) - eye
    length = np.linalg.norm(along, axis=1) * np.linalg.norm(sight, axis=1)
    crossed = np.linalg.norm(np.cross(along, sight), axis=1)
    return (length == 0) | (crossed > np.sin(site.least_angle) * length)


def _clear_of(arm, edge, distance):
    """Whether the edge, first to last target on it, stays off the lines from pin to pin."""
    clear = np.ones(len(edge), bool)
    for first, second in pairwise(arm):
        clear &= _segment_distance(edge[:, 0], edge[:, -1], first, second) > distance
    return clear


def _hidden(arm, shot, eye, site):
    """Whether the house's box or the lines from pin to pin come between eye and target."""
    hidden = np.zeros(len(shot), bool)
    for target in range(shot.shape[1]):
        point = shot[:, target]
        hidden |= _through_box(point, eye, site)
        for first, second in pairwise(arm):
            hidden |= _segment_distance(eye, point, first, second) < site.arm_width / 2
    return hidden


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


def _segment_distance(a_first, a_last, b_first, b_last):
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
