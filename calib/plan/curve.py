"""How many poses: the edge sd against their number, and the least number that reaches a goal."""

from dataclasses import dataclass

import numpy as np

from calib.plan.exchange import greedy, variance_gain
from calib.plan.plan import Prepared, chosen, edge_sds

#: A field day has room for no more.
MOST_POSES = 60


@dataclass(frozen=True)
class Curve:
    """Predicted edge sd of growing plans, m.

    Attributes
    ----------
    poses : ndarray of int, shape (k,)
    median, worst : ndarray, shape (k,)
        Over the envelope. Of the plan that grows by the best next pose: a plan that is exchanged
        as a whole is a little better.
    """

    poses: np.ndarray
    median: np.ndarray
    worst: np.ndarray


class GoalOutOfReach(Exception):
    """Even the largest plan misses the goal; `reached` is its worst edge sd, m."""

    def __init__(self, goal: float, reached: float):
        self.goal, self.reached = goal, reached
        super().__init__(
            f"the goal of {1000 * goal:.1f} mm is out of reach: {MOST_POSES} poses reach "
            f"{1000 * reached:.1f} mm"
        )


def curve(prepared: Prepared, stands: int = 1, most: int = MOST_POSES) -> Curve:
    """Edge sd against the number of poses."""
    pool, groups = prepared.pool(stands), np.arange(most) % stands
    design = greedy(pool, groups, variance_gain(prepared.form))
    first = max(2, stands)
    sizes = np.arange(first, most + 1)
    sds = [_sds(prepared, pool, design[:n], groups[:n]) for n in sizes]
    return Curve(sizes, np.array([np.median(s) for s in sds]), np.array([s.max() for s in sds]))


def least_poses(prepared: Prepared, goal: float, grown: Curve, stands: int = 1) -> int:
    """The least number of poses whose exchanged plan has a worst edge sd within the goal, m.

    Raises
    ------
    GoalOutOfReach
        If no number up to the curve's largest has.
    """
    within = np.flatnonzero(grown.worst <= goal)
    most = int(grown.poses[within[0]] if len(within) else grown.poses[-1])
    reached = _exchanged(prepared, most, stands)
    if reached > goal:
        raise GoalOutOfReach(goal, reached)
    least = most
    while least > max(2, stands) and _exchanged(prepared, least - 1, stands) <= goal:
        least -= 1
    return least


def _exchanged(prepared, poses, stands):
    pool, groups = prepared.pool(stands), np.arange(poses) % stands
    return float(_sds(prepared, pool, chosen(prepared, pool, groups), groups).max())


def _sds(prepared, pool, design, groups):
    p = prepared.form.shape[0]
    return edge_sds(prepared, np.linalg.inv(pool.information(design, groups))[:p, :p])
