"""Poses to choose from: joint angles over the limits, less those that cannot be shot."""

from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise, product

import numpy as np
from numpy.typing import ArrayLike

from calib.calibration import HOUSE_PLACEMENT
from calib.chain.rig import Rig
from calib.chain.sensors import BLIND_GAIN
from calib.edge import edge_points
from calib.plan import sight

#: A reading has room if it may be off by this much either way, rad; a stroke moves by `ARM` m per
#: radian of its joint (common practice, no source).
_ROOM, ARM = np.radians(1.0), 0.6

#: Joint angles at their limit are within it.
_ROUNDING = 1e-9

#: Neither readings nor parameters will be exactly those planned: a plan uses this share of what a
#: sensor can see.
_SHARE = 0.75

#: An edge this near to the ground is brought down on it without another pose, m.
_LOW = 0.3


class Rule(StrEnum):
    """What takes a pose away, in the order in which it is asked."""

    BLIND = "blind sensor"
    EDGE_LOW = "edge in the ground"
    PIN_LOW = "pin in the ground"
    HIGH = "edge too high"
    NEAR = "edge too near"
    ARM = "edge at the arm"
    END_ON = "edge seen end-on"
    HIDDEN = "hidden by the machine"
    NO_ROOM = "no room"


@dataclass(frozen=True)
class Candidates:
    """Feasible poses."""

    joints: np.ndarray  #: Shape (n, n_readings), rad.
    #: Shape (n, n_pose_columns). What is to be noted of each, as the numbers that the rig's words
    #: stand for; 0 where nothing.
    noted: np.ndarray
    asked: int  #: How many were looked at.
    #: What took how many away, each pose counted once, at the first rule that it breaks.
    removed: dict[Rule, int]


class NoPose(Exception):
    """The limits leave nothing; `candidates` says what removed how many."""

    def __init__(self, candidates: Candidates):
        self.candidates = candidates
        reasons = "; ".join(f"{why}: {count}" for why, count in candidates.removed.items())
        super().__init__(f"none of {candidates.asked} poses can be shot ({reasons})")


def candidate_poses(
    rig: Rig, parameters: np.ndarray, targets: ArrayLike, site: sight.Site, count: int = 20_000,
    seed: int = 0,
) -> Candidates:
    """A low-discrepancy set over the joints' limits and its corners, less the infeasible.

    Joints that nobody drives (pitch and roll of the house) stay level.

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
        removed[Rule.NO_ROOM] = int(np.sum(~workable))
        left[left] = workable
    candidates = Candidates(joints[left], _noted(rig, parameters, joints[left], site, seed),
                            len(joints), removed)
    if not left.any():
        raise NoPose(candidates)
    return candidates


def _noted(rig, parameters, joints, site, seed):
    """Every combination of words of the needed columns as often as another, where it can be."""
    noted = np.zeros((len(joints), len(rig.pose_columns)))
    if not rig.needed_columns:
        return noted
    edge = sight.placed(sight.ahead(rig, parameters, joints), np.array(edge_points(rig)))
    low = edge[..., 2].min(1) + site.foot_height < _LOW
    rng, names = np.random.default_rng(seed), [c.name for c in rig.pose_columns]
    for column in rig.needed_columns:
        aloft = [v for word, v in column.words.items() if word not in column.on_ground]
        for where, values in ((low, list(column.words.values())), (~low, aloft)):
            if values:
                noted[where, names.index(column.name)] = rng.permutation(
                    np.resize(values, int(where.sum())))
    return noted


def feasible(rig: Rig, parameters: np.ndarray, joints: np.ndarray, targets: ArrayLike,
             site: sight.Site) -> np.ndarray:
    """Mask of the poses (joints, shape (n, n_readings), rad) in the limits that can be shot."""
    low = np.array([r.low for r in rig.readings]) - _ROUNDING
    high = np.array([r.high for r in rig.readings]) + _ROUNDING
    turns = high - low >= 2 * np.pi  # no limit at all
    mask = np.all(turns | (joints >= low) & (joints <= high), axis=1)
    # What a plan keeps in reserve is there to be used.
    for _, passed in _rules(rig, parameters, joints, targets, replace(site, clearance=0.0), 1.0):
        mask &= passed
    return mask


def joints_at(rig: Rig, parameters: np.ndarray, readings: np.ndarray) -> np.ndarray:
    """Joint angles of the level machine at readings of shape (n, n_readings), rad."""
    return rig.chain.posture(parameters, HOUSE_PLACEMENT, readings, jacobian=False).joints


def _workable(rig, parameters, joints, targets, site):
    """Mask of the poses in which every driven reading has room either way, the others as they are.

    Nobody can bring a machine to a degree that must not be overshot.
    """
    readings, workable = rig.chain.readings_for(parameters, joints), np.ones(len(joints), bool)
    for i in _driven(rig):
        for step in (-_ROOM, _ROOM):
            moved = readings[workable]
            moved[:, i] += step * (1.0 if rig.readings[i].unit == "deg" else ARM)
            workable[workable] = feasible(rig, parameters, joints_at(rig, parameters, moved),
                                          targets, site)
    return workable


def _driven(rig):
    """The readings of joints that somebody drives."""
    return [i for i, r in enumerate(rig.readings) if r.speed is not None]


def _spread(rig, count, seed):
    driven = _driven(rig)
    low, high = np.array([(rig.readings[i].low, rig.readings[i].high) for i in driven]).T
    # Drawn in, so that a reading at the end of its joint's range has room as well.
    room = np.where(high - low >= 2 * np.pi, 0.0, np.minimum(1.01 * _ROOM, (high - low) / 2))
    low, high = low + room, high - room
    corners = np.array(list(product((0.0, 1.0), repeat=len(driven))))[:count]
    inside = even_points(count - len(corners), len(driven), seed)
    joints = np.zeros((count, len(rig.readings)))
    joints[:, driven] = low + np.vstack([corners, inside]) * (high - low)
    return joints


def even_points(count: int, dimensions: int, seed: int = 0) -> np.ndarray:
    """Points that fill the unit cube evenly, shape (count, dimensions).

    Multiples modulo 1 of the powers of 1 / g, g the positive root of g^(d + 1) = g + 1, from a
    random start: a Kronecker sequence, for d = 1 that of the golden ratio (L. Kuipers and
    H. Niederreiter, *Uniform Distribution of Sequences*, Wiley 1974, from memory).
    """
    g = 1.5
    for _ in range(60):
        g = (1.0 + g) ** (1.0 / (dimensions + 1))
    start = np.random.default_rng(seed).random(dimensions)
    steps = np.arange(1, count + 1)[:, None] * g ** -np.arange(1.0, dimensions + 1)
    return (start + steps) % 1.0


def _rules(rig, parameters, joints, targets, site, share=_SHARE):
    """(rule, mask of poses that pass) in the order in which they are asked."""
    parameters, targets = np.asarray(parameters, float), np.asarray(targets, int)
    posture = sight.ahead(rig, parameters, joints)
    edge = sight.placed(posture, np.array(edge_points(rig)))
    arm = sight.arm_pins(posture)
    seen = (np.abs(posture.gain) < share * BLIND_GAIN).all(1)
    seen &= np.abs(posture.joints - np.where(sight.swung(rig), 0.0, joints)).max(1) < 1e-6
    yield Rule.BLIND, seen
    lowest = site.clearance - site.foot_height
    yield Rule.EDGE_LOW, (edge[..., 2] > lowest).all(1)
    yield Rule.PIN_LOW, np.all([p[:, 2] > lowest for p in arm], axis=0)
    if site.highest is not None:
        yield Rule.HIGH, (
            edge[..., 2] < site.highest - site.foot_height).all(1)
    yield Rule.NEAR, (
        edge[..., 0] > site.nearest).all(1)
    yield Rule.ARM, _clear_of(arm, edge, site.arm_width / 2)
    if site.instrument is not None:
        eye = sight.eyes(rig, posture, joints, site)
        yield Rule.END_ON, _open_angle(edge, eye, site)
        yield Rule.HIDDEN, sight.seen_targets(
            rig, posture, joints, targets, site).all(1)


def _open_angle(edge, eye, site):
    """Whether the edge, first to last target on it, is not seen end-on."""
    along = edge[:, -1] - edge[:, 0]
    away = edge.mean(1) - eye
    length = np.linalg.norm(along, axis=1) * np.linalg.norm(away, axis=1)
    crossed = np.linalg.norm(np.cross(along, away), axis=1)
    return (length == 0) | (crossed > np.sin(site.least_angle) * length)


def _clear_of(arm, edge, distance):
    """Whether the edge, first to last target on it, stays off the lines from pin to pin."""
    clear = np.ones(len(edge), bool)
    for first, second in pairwise(arm):
        clear &= sight.segment_distance(edge[:, 0], edge[:, -1], first, second) > distance
    return clear
