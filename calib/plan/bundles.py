"""What can be shot in a pose: bundles of targets, each with what it tells and what it takes."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from itertools import combinations

import numpy as np

from calib.chain.rig import Rig
from calib.plan.exchange import Pool, add, variance_gain
from calib.plan.information import Noise, pose_design, whitened

#: All choices of items are bundles up to so many; beyond it single ones, pairs and all together.
_MOST_BUNDLES = 31

#: Bundles are made for so many poses and so many bundles at most, the most promising poses.
_POSES, _CANDIDATES = 1500, 24_000

#: Steps of the growing plan that tells which poses are promising.
_STEPS = 6


@dataclass(frozen=True)
class Bundles:
    """A choice of targets in a pose, one after the other."""

    pose: np.ndarray  #: Int, shape (n,). Index into the poses.
    shots: np.ndarray  #: Bool, shape (n, t). Which of the targets are shot.
    rows: np.ndarray  #: Shape (n, m, k). See `calib.plan.information.pose_rows`.
    minutes: np.ndarray  #: Shape (n,). To settle and to shoot, without driving.

    @property
    def heights(self) -> np.ndarray:
        """How many of the rows are not zero, int, shape (n,)."""
        return 3 * self.shots.sum(1)

    def select(self, numbers: np.ndarray) -> "Bundles":
        """Some of them."""
        return Bundles(*(getattr(self, field.name)[numbers] for field in fields(self)))


def items_of(rig: Rig, targets: Sequence[int]) -> list[tuple[int, ...]]:
    """Targets that are shot together: the edge's, and those on the same member.

    Places in `targets`; the edge comes first.
    """
    members: dict[str, list[int]] = {}
    for place, target in enumerate(targets):
        on_edge = target in rig.edge_targets
        members.setdefault("" if on_edge else rig.targets[target].frame, []).append(place)
    return [tuple(members[name]) for name in sorted(members)]


def menu_of(items: list[tuple[int, ...]]) -> list[tuple[tuple[int, ...], ...]]:
    """Choices of items to shoot in a pose, the first item alone first."""
    sizes: Iterable[int] = range(1, len(items) + 1)
    if 2 ** len(items) - 1 > _MOST_BUNDLES:
        sizes = sorted({1, min(2, len(items)), len(items)})
    return [choice for size in sizes for choice in combinations(items, size)]


def bundles_of(rig: Rig, parameters: np.ndarray, readings: np.ndarray, targets: Sequence[int],
               noise: Noise, seen: np.ndarray, prior: np.ndarray, form: np.ndarray,
               noted: np.ndarray | None = None) -> Bundles:
    """All bundles of the most promising poses.

    Parameters
    ----------
    readings : ndarray, shape (n, n_readings), rad
    targets : sequence of int
    seen : ndarray of bool, shape (n, t)
        What can be shot in which pose.
    prior, form : ndarray
        Of one stand, and of the mean edge variance: they tell what is promising.
    noted : ndarray, shape (n, n_pose_columns), optional
        What is noted of each pose.
    """
    design, covariance = pose_design(rig, parameters, readings, np.asarray(targets, int), noise,
                                     noted=noted)
    menu = menu_of(items_of(rig, targets))
    most = min(_POSES, _CANDIDATES // len(menu))
    poses = np.arange(len(readings))
    if len(poses) > most:
        whole = whitened(design, covariance, poses, seen)
        poses = promising(Pool(whole, prior, np.arange(len(prior))[None]), form, most)
        design, covariance, seen = design[poses], covariance[poses], seen[poses]
    effort = rig.effort
    each = np.array([effort.of_shot(rig.targets[t]) for t in targets])
    choices = []
    for bundle in menu:
        here = np.flatnonzero(np.all([seen[:, list(item)].any(1) for item in bundle], axis=0))
        places = [place for item in bundle for place in item]
        choices.append((here, seen[here] & np.isin(np.arange(len(targets)), places)))
    here, shots = (np.concatenate(part) for part in zip(*choices, strict=True))
    return Bundles(poses[here], shots, whitened(design, covariance, here, shots),
                   effort.settle + shots @ each)


def promising(pool: Pool, form: np.ndarray, most: int) -> np.ndarray:
    """The candidates that gain much at some step of a growing plan, so many, in order."""
    gain, information = variance_gain(form), pool.prior.copy()
    best = np.zeros(len(pool.rows))
    for _ in range(_STEPS):
        gains = gain(pool, np.linalg.inv(information), 0, slice(None))
        best = np.maximum(best, gains / gains.max())
        for candidate in np.argsort(-gains, kind="stable")[:2]:
            add(pool, information, int(candidate), 0, +1)
    return np.sort(np.argsort(-best, kind="stable")[:most])
