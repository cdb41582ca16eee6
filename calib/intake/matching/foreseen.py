"""Imported shots beside what the rig foresees of them: its lengths as they stand, readings as read;
and whether they fit only mirrored: east and north exchanged, or seen from below.

Rough on purpose: a machine that is not solved yet is known to some decimetres.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.chain.rig import Rig
from calib.intake.matching.field_shots import FieldShot
from calib.intake.matching.readings import PoseReadings

_CLEARLY = 0.5
"""Mirrored the misfit must be less than this share of the other, and the other more than `_LEAST`
m: lengths that are not solved yet spoil both alike."""
_LEAST = 0.3


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


def misfits(seen: Foreseen, stand: np.ndarray) -> tuple[float, float]:
    """Horizontal misfit of shots to what is foreseen, as they are and mirrored, m (rms).

    On each stand the points foreseen are turned, shifted and scaled (nobody may have told the size
    of the machine) so that the squares are least: as complex numbers, centred, the best multiple
    of z leaves |w|^2 - |conj(z) w|^2 / |z|^2 of w, each summed.

    Parameters
    ----------
    stand : ndarray, shape (n_poses,)
        Of each pose.
    """
    squares, count = np.zeros(2), 0
    for name in np.unique(stand):
        rows = np.flatnonzero((stand[seen.pose] == name) & seen.known[seen.pose])
        if len(rows) < 3:
            continue
        z, w = (p[rows, 0] + 1j * p[rows, 1] for p in (seen.house, seen.shot))
        z, w = z - z.mean(), w - w.mean()
        along = np.abs([np.sum(z.conj() * w), np.sum(z * w)]) ** 2
        squares += np.sum(np.abs(w) ** 2) - along / np.sum(np.abs(z) ** 2)
        count += len(rows)
    if not count:
        return 0.0, 0.0
    straight, mirrored = np.sqrt(np.maximum(squares, 0.0) / count)
    return float(straight), float(mirrored)


def fit_mirrored(straight: float, mirrored: float) -> bool:
    """Whether misfits say that shots are mirrored."""
    return straight > _LEAST and mirrored < _CLEARLY * straight


def exchanged(shot: FieldShot) -> FieldShot:
    """A shot with east for north and north for east."""
    other = [1, 0, 2]
    return replace(
        shot, position=shot.position[other], covariance=shot.covariance[np.ix_(other, other)],
        sources=tuple(replace(s, conversion=s.conversion + "; east and north exchanged")
                      for s in shot.sources))
