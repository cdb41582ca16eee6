"""The same mistake in some poses only: from a pose on, up to a pose, or decided pose by pose.

Whichever poses are affected, each pose by itself tells whether it fits better as it is or changed,
once the unknowns are about right. So: poses are judged at several trial fits, the run is changed in
those that want it, fitted again, and judged again until nothing changes. Trial fits that do not
depend on how many poses are affected stand among them: of the first and the last half of the run,
and, for exchanged corners, of the middles of the pairs.
"""

from collections import Counter
from dataclasses import dataclass, replace
from math import comb

import numpy as np

from calib.adjust.quick import Look, look
from calib.calibration import problem_of
from calib.judge import facts
from calib.judge.column_mistakes import Change, in_poses, mistake_in, possible
from calib.judge.fits import looked, pose_costs, quick_fit
from calib.judge.mistakes import Mistake, corner_pairs
from calib.layout import RIG, STAND
from calib.run.records import Run

#: Changes that are followed up, by how well their poses then fit; rounds of each.
_FOLLOWED, _ROUNDS = 10, 4

#: Sd of half the difference of two corners where only their middle is to count, m.
_APART = 100.0

#: Cost of a reading that its sensor cannot show.
_OUT_OF_REACH = 1e3

#: Fewest poses that are changed, or left, where they come in a row.
_LEAST = 2


@dataclass(frozen=True)
class Partial:
    """A change made in some poses."""

    mistake: Mistake
    seen: Look  #: Robust fit of the changed run.
    choices: float  #: Among how many sets of poses like this one it was chosen.


def partial_mistakes(run: Run, changes: list[Change]) -> list[Partial]:
    """The changes that make some poses fit much better, each made in the poses that want it."""
    starts = _starts(run)
    costs = [_cost(run, start) for start in starts]
    wanted = []
    for change in changes:
        for start, as_is in zip(starts, costs, strict=True):
            for poses, cost in _wanted(run, change, start, as_is):
                wanted.append((cost, change, poses))
    wanted.sort(key=lambda w: w[0])
    found: list[Partial] = []
    followed: Counter[facts.ChangeFact] = Counter()
    tried: set[tuple[facts.ChangeFact, bytes]] = set()
    for _, change, poses in wanted:
        key = (change.fact, poses.tobytes())
        if len(followed) + len(tried) >= _FOLLOWED and change.fact not in followed:
            continue
        if followed[change.fact] >= 3 or key in tried:
            continue
        followed[change.fact] += 1
        tried.add(key)
        best = _settled(run, change, poses)
        if best is not None:
            found.append(best)
    return found


@dataclass(frozen=True)
class _Start:
    """Trial values of the unknowns, and which of them every run is to place afresh."""

    unknowns: np.ndarray
    loose: np.ndarray | bool = False


def _starts(run):
    halves = np.array_split(np.unique(run.shots.pose), 2)
    whole = problem_of(run)
    layout = whole.layout
    rig = layout.columns(RIG, "")
    starts = [_Start(looked(run, robust=True).parameters)]
    for half in halves if run.set_ups is None else ():
        part = replace(run, shots=run.shots.select(np.isin(run.shots.pose, half)))
        if len(half) < 3:
            continue
        problem, unknowns = problem_of(part), whole.start.copy()
        seen = quick_fit(problem, robust=True).parameters
        unknowns[rig], loose = problem.parameters(seen), np.ones(len(whole.start), bool)
        loose[rig] = False
        for stand, placement in zip(problem.stands, problem.layout.of(STAND, seen), strict=True):
            there = layout.columns(STAND, stand)
            unknowns[there], loose[there] = placement, False
        starts.append(_Start(unknowns, loose))
    if corner_pairs(run):
        starts.append(_Start(_of_middles(run)))
    return [s for s in starts if np.isfinite(s.unknowns).all()]


def _of_middles(run):
    """Unknowns from the middles of left and right corners, whichever is which."""
    problem = problem_of(run)
    groups = []
    for group in problem.observations.groups:
        covariance = group.covariance.copy()
        for i, block in enumerate(group.blocks):
            rows = np.flatnonzero(run.shots.pose == block)
            targets = run.shots.target[rows].tolist()
            for left, right in corner_pairs(run):
                if left in targets and right in targets:
                    apart = np.zeros(len(rows))
                    apart[targets.index(left)], apart[targets.index(right)] = 1.0, -1.0
                    covariance[i] += _APART**2 * np.kron(np.outer(apart, apart), np.eye(3))
        groups.append(replace(group, covariance=covariance))
    observations = replace(problem.observations, groups=tuple(groups))
    return look(problem, observations, problem.start, prior=problem.prior, held=problem.held,
                robust=True).parameters


def _wanted(run, change, start, as_is):
    """Sets of poses that fit better changed, at given unknowns, and the cost of the run then."""
    every = np.arange(len(run.poses.ids))
    can = possible(run, change)
    changed = in_poses(run, replace(change, lost=None), can)
    other = _cost(changed, start)
    poses = np.unique(run.shots.pose)
    gain = np.where(can, as_is - other, -_OUT_OF_REACH)[poses]
    total = float(as_is.sum())
    later = np.concatenate([[0.0], np.cumsum(gain[::-1])])[::-1]
    earlier = np.concatenate([[0.0], np.cumsum(gain)])
    inside = slice(_LEAST, len(poses) - _LEAST + 1)
    sets = []
    if len(poses) > 2 * _LEAST:
        # Equally good: the fewest poses. (A row that was written twice fits either way.)
        best = later[inside].max()
        k = _LEAST + int(np.flatnonzero(later[inside] > best - 1e-6 * (1 + abs(best)))[-1])
        sets.append((np.isin(every, poses[k:]), total - float(later[k])))
        k = _LEAST + int(np.argmax(earlier[inside] > earlier[inside].max() - 1e-6))
        sets.append((np.isin(every, poses[:k]), total - float(earlier[k])))
    if change.any_poses:
        mask = np.isin(every, poses[gain > 0])
        sets.append((mask, total - float(gain[gain > 0].sum())))
    return [(mask, cost) for mask, cost in sets
            if mask.any() and not mask[poses].all() and cost < total]


def _cost(run, start):
    """What each pose costs at given unknowns."""
    problem, unknowns = problem_of(run), start.unknowns
    if np.any(start.loose):
        unknowns = np.where(start.loose, problem.start, unknowns)
        unknowns = quick_fit(problem, robust=True, start=unknowns, steps=6,
                             held=~start.loose).parameters
    return pose_costs(quick_fit(problem, start=unknowns, steps=0))


def _settled(run, change, poses):
    """Change, fit, judge again, until the poses stay the same."""
    best = None
    for _ in range(_ROUNDS):
        changed = in_poses(run, change, poses)
        if changed is None:
            break
        seen = looked(changed, robust=True)
        cost = float(pose_costs(seen).sum())
        if best is None or cost < best[0]:
            best = cost, poses, seen
        start = _Start(seen.parameters)
        again = _wanted(run, change, start, _cost(run, start))
        if not again:
            break
        nearest = min(again, key=lambda other: (other[0] != poses).sum())[0]
        if (nearest == poses).all():
            break
        poses = nearest
    if best is None:
        return None
    _, poses, seen = best
    mistake = mistake_in(run, change, poses)
    assert mistake is not None  # it was looked at in these poses
    count = len(np.unique(run.shots.pose))
    chosen = int(np.isin(np.flatnonzero(poses), run.shots.pose).sum())
    choices = float(2 * count)
    if change.any_poses and not _is_in_a_row(run, poses):
        choices = float(comb(count, chosen))
    return Partial(mistake, seen, choices)


def _is_in_a_row(run, poses):
    mine = poses[np.unique(run.shots.pose)]
    return int(np.abs(np.diff(mine.astype(int))).sum()) == 1
