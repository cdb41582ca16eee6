"""Mistakes about one pose, two poses, or all poses after some moment at a stand."""

from collections.abc import Iterable
from dataclasses import replace
from functools import partial
from itertools import combinations, count, pairwise

import numpy as np

from calib.chain.circle import wrapped
from calib.judge.changed import exchanged, with_readings, with_shots
from calib.judge.facts import LateLabel, Moved, PosesExchanged, ShotsExchanged, StandOfPose, Swung
from calib.judge.fits import solved
from calib.judge.mistakes import Mistake, moments_at_stands, shot_poses
from calib.layout import STAND
from calib.run.records import Run

#: Label of a stand that a mistake makes up; no file has it.
NEW_STAND = "\N{LEFTWARDS ARROW}new"

#: What a parked machine settles or a tilted swing axis lifts, 1 sd: m and rad.
SETTLES = np.array([0.01, 0.01, 0.015, 0.002])

#: Where the swing axis may lie behind the boom foot, m (negative: ahead of it).
AXIS_BEHIND = (-1.0, 3.0)

_LIMIT = 13.8  # chi-square of 2 at 0.001


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


def swing_of(run: Run, moved: Mistake) -> tuple[float, Mistake] | None:
    """Whether a move of the later poses can be a swing of the house on its tracks.

    The run is solved with the later poses at a stand of their own; the foot of a house that swung
    stays on a circle about an axis on the house's centre line, at the same height. The difference
    of both placements counts as nothing within its sd and `SETTLES`.

    Parameters
    ----------
    moved : Mistake
        Of the family "moved"; its poses are the later ones.

    Returns
    -------
    consistency : float
        Chi-square (2 dof) of the move being a swing.
    swung : Mistake
    """
    solution = solved(own_stand(run, moved.poses))
    if solution is None:
        return None
    old = run.poses.stand[moved.poses[0]]
    heading, difference, covariance = _between(solution, old)
    turn = difference[3]
    if abs(turn) < np.radians(0.5):
        return None
    heading += turn / 2
    along = np.array([np.sin(heading), np.cos(heading)])
    across = np.array([np.cos(heading), -np.sin(heading)])
    behind = float(difference[:2] @ across / (2 * np.sin(turn / 2)))
    if not AXIS_BEHIND[0] < behind < AXIS_BEHIND[1]:
        return None
    rows = np.zeros((2, 4))
    rows[0, :2], rows[1, 2] = along, 1.0
    # Turning the heading by half its uncertainty turns `along` too.
    rows[0, 3] = -(difference[:2] @ across) / 2
    off = np.array([difference[:2] @ along, difference[2]])
    loose = covariance + np.diag(SETTLES**2)
    consistency = float(off @ np.linalg.solve(rows @ loose @ rows.T, off))
    if consistency > _LIMIT:
        return None
    before = max(p for p in shot_poses(run)
                 if run.poses.stand[p] == old and p not in moved.poses)
    fact = Swung(run.poses.ids[before], run.poses.ids[moved.poses[0]], old, float(-turn))
    return consistency, replace(moved, family="swung", fact=fact, free=2)


def _between(solution, old):
    """Heading at a stand, placement of the new stand less that of it, (4,), and its covariance."""
    stands = solution.problem.stands
    a, b = stands.index(old), stands.index(NEW_STAND)
    difference = solution.stands[b] - solution.stands[a]
    difference[3] = wrapped(difference[3])
    one, other = solution.problem.layout.columns(STAND)[[b, a]]
    c = solution.adjustment.covariance
    return solution.stands[a, 3], difference, (
        c[np.ix_(one, one)] + c[np.ix_(other, other)]
        - c[np.ix_(one, other)] - c[np.ix_(other, one)])


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
