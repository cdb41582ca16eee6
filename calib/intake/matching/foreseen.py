"""Imported shots beside what the rig foresees of them: its lengths as they stand, readings as read.

Rough on purpose: a machine that is not solved yet is known to some decimetres.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calib.chain.rig import Rig
from calib.intake.matching.field_shots import FieldShot
from calib.intake.matching.readings import PoseReadings


@dataclass(frozen=True)
class Foreseen:
    """Shots with what is foreseen, one row each."""

    poses: tuple[str, ...]  #: In the order of time, or of the files where there are no times.
    pose: np.ndarray  #: Shape (n,). Index into `poses`.
    target: np.ndarray  #: Shape (n,). Index into the rig's targets.
    shot: np.ndarray  #: Shape (n, 3). Site frame, m.
    house: np.ndarray  #: Shape (n, 3). Foreseen in the levelled frame of the stand, m.
    known: np.ndarray  #: Shape (n_poses,). Whether all readings of a pose are there.
    setup: tuple[str, ...]  #: Of each pose; "" without, or of several.


def foresee(rig: Rig, shots: Sequence[FieldShot], readings: Mapping[str, PoseReadings]
            ) -> Foreseen:
    """What the rig's starting values foresee of shots; readings that are missing count as 0."""
    first: dict[str, float] = {}
    setups: dict[str, set[str]] = {}
    for shot in shots:
        name = shot.booked.pose
        first[name] = min(first.get(name, np.inf), shot.seconds)
        setups.setdefault(name, set()).add(shot.setup)
    timed = bool(np.isfinite(list(first.values())).all())
    poses = tuple(sorted(first, key=first.__getitem__) if timed else first)
    value = np.array([readings[p].values if p in readings else
                      np.full(len(rig.readings), np.nan) for p in poses])
    level = np.tile([0.0, 0.0, 0.0, np.pi / 2], (len(poses), 1))
    pose = np.array([poses.index(s.booked.pose) for s in shots])
    target = np.array([rig.target_names.index(s.booked.target) for s in shots])
    posture = rig.chain.posture(rig.start, level, np.nan_to_num(value) / rig.reading_factors,
                                jacobian=False)
    return Foreseen(poses, pose, target, np.array([s.position for s in shots]),
                    posture.points(target, pose).position, ~np.isnan(value).any(axis=1),
                    tuple(next(iter(setups[p])) if len(setups[p]) == 1 else "" for p in poses))
