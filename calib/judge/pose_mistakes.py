"""Mistakes about one pose, two poses, or all poses after some moment at a stand."""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import partial
from itertools import combinations, count, pairwise

import numpy as np

from calib.judge.changed import exchanged, with_readings, with_shots
from calib.judge.facts import LateLabel, Moved, PosesExchanged, ShotsExchanged, StandOfPose
from calib.judge.mistakes import Mistake
from calib.run.records import Run

#: Poses before and after a moment of change, at least.
_LEAST_POSES = 2

#: Label of a stand that a mistake makes up; no file has it.
NEW_STAND = "\N{LEFTWARDS ARROW}new"


def shot_poses(run: Run) -> list[int]:
    """The poses with shots, in their order."""
    return np.unique(run.shots.pose).tolist()


def moments(poses: list[int], most: int | None = None) -> Iterator[tuple[list[int], list[int]]]:
    """Poses before and since each moment at which something may have changed, so many at most."""
    every = range(_LEAST_POSES, len(poses) - _LEAST_POSES + 1)
    for k in every[:: -(-len(every) // (most or len(poses))) or 1]:
        yield poses[:k], poses[k:]


def moments_at_stands(run: Run, most: int | None = None
                      ) -> Iterator[tuple[str, list[int], list[int]]]:
    """Each stand with `moments` of the poses that are shot there."""
    poses = shot_poses(run)
    for stand in dict.fromkeys(run.poses.stand[p] for p in poses):
        for before, since in moments([p for p in poses if run.poses.stand[p] == stand], most):
            yield stand, before, since


def exchanged_poses(run: Run, pairs: Iterable[tuple[int, int]]) -> list[Mistake]:
    """Two poses whose shots carry each other's number, or whose readings do.

    It is the same where both were taken at one stand.
    """
    ids, stand = run.poses.ids, run.poses.stand
    mistakes = []
    for a, b in pairs:
        def shots(run, a=a, b=b):
            return with_shots(run, pose=exchanged(run.shots.pose, a, b))

        def readings(run, a=a, b=b):
            order = exchanged(np.arange(len(run.poses.ids)), a, b)
            return with_readings(run, run.poses.readings[order], run.poses.sd[order])

        mistakes.append(Mistake("exchanged poses", PosesExchanged(ids[a], ids[b], False), shots,
                                poses=(a, b)))
        if stand[a] != stand[b]:
            mistakes.append(Mistake("exchanged poses", PosesExchanged(ids[a], ids[b], True),
                                    readings, poses=(a, b)))
    return mistakes


def exchanged_shots(run: Run, shots: Iterable[int]) -> list[Mistake]:
    """Two of some shots, of one target, that carry each other's pose."""
    ids, pose, target = run.shots.ids, run.shots.pose, run.shots.target

    def exchange(run, a, b):
        order = exchanged(np.arange(len(run.shots)), a, b)
        return with_shots(run, pose=run.shots.pose[order])

    return [Mistake("exchanged shots", ShotsExchanged(ids[a], ids[b]),
                    partial(exchange, a=a, b=b), poses=(int(pose[a]), int(pose[b])))
            for a, b in combinations(shots, 2) if target[a] == target[b] and pose[a] != pose[b]]


def labels_of_pose(run: Run, poses: Iterable[int]) -> list[Mistake]:
    """One pose with the label of another stand."""
    return [Mistake("stand of a pose", StandOfPose(run.poses.ids[p], run.poses.stand[p], stand),
                    partial(_relabelled, poses=(p,), label=stand), poses=(p,))
            for p in poses for stand in dict.fromkeys(run.poses.stand)
            if stand != run.poses.stand[p]]


def late_labels(run: Run) -> list[Mistake]:
    """The stand changed earlier or later than its label: some poses in between are mislabelled."""
    order = shot_poses(run)
    mistakes = []
    stands = [run.poses.stand[p] for p in order]
    for stand, following in dict.fromkeys((a, b) for a, b in pairwise(stands) if a != b):
        here = [p for p in order if run.poses.stand[p] == stand]
        there = [p for p in order if run.poses.stand[p] == following]
        for poses, label in (
            *((here[-k:], following) for k in range(2, len(here) - 1)),
            *((there[:k], stand) for k in range(2, len(there) - 1)),
        ):
            first, last = run.poses.ids[poses[0]], run.poses.ids[poses[-1]]
            wrong = stand if label == following else following
            mistakes.append(Mistake(
                "late label", LateLabel(first, last, wrong, label, label == following),
                partial(_relabelled, poses=tuple(poses), label=label),
                poses=tuple(poses)))
    return mistakes


def moved_between(run: Run) -> list[Mistake]:
    """The machine moved, or its house swung, between two poses that share a stand label."""
    ids = run.poses.ids
    return [Mistake("moved", Moved(ids[before[-1]], ids[since[0]], stand),
                    partial(own_stand, poses=tuple(since)), free=4, poses=tuple(since),
                    mend=partial(_renamed, poses=tuple(since)))
            for stand, before, since in moments_at_stands(run)]


def own_stand(run: Run, poses: tuple[int, ...]) -> Run:
    """The run with some poses at a stand of their own."""
    return _relabelled(run, poses, NEW_STAND)


def _renamed(run, poses):
    """The same with a label that no stand has, for a file."""
    first = run.poses.stand[poses[0]]
    labels = (f"{first}-{i}" for i in count(2))
    return _relabelled(run, poses, next(n for n in labels if n not in run.poses.stand))


def _relabelled(run, poses, label):
    labels = list(run.poses.stand)
    for p in poses:
        labels[p] = label
    return replace(run, poses=replace(run.poses, stand=tuple(labels)))
