"""How many poses: the edge sd against their number, and the least number that reaches a goal."""

from dataclasses import dataclass, replace

import numpy as np

from calib.plan.exchange import Pool, greedy, variance_gain
from calib.plan.information import pose_rows, prior_information
from calib.plan.plan import Prepared, chosen, dealt, repeats_nothing

#: A field day has room for no more.
MOST_POSES = 60

#: Equal but for rounding.
_EQUAL = 1 + 1e-9


@dataclass(frozen=True)
class Curve:
    """Predicted edge sd of growing plans.

    Of the plan that grows by the best next pose: one that is exchanged as a whole is a little
    better.

    Attributes
    ----------
    stands : int
    design : list of int
        The candidates in the order in which they were added.
    poses : ndarray of int, shape (k,)
    median, worst : ndarray, shape (k,)
        Over the envelope, m.
    """

    stands: int
    design: list[int]
    poses: np.ndarray
    median: np.ndarray
    worst: np.ndarray


class GoalOutOfReach(Exception):
    """Even the largest plan misses the goal.

    Attributes
    ----------
    goal, reached : float
        Worst edge sd asked for and reached, m.
    poses : int
        Of the largest plan.
    bounds : tuple of (str, float)
        What would help most, with the worst edge sd if its error were gone, m.
    """

    def __init__(self, goal: float, reached: float, poses: int, bounds):
        self.goal, self.reached, self.poses, self.bounds = goal, reached, poses, tuple(bounds)
        super().__init__(
            f"The goal of {1000 * goal:.1f} mm is out of reach: {poses} poses reach "
            f"{1000 * reached:.1f} mm (1 sd, worst over the envelope)."
        )


def curve(prepared: Prepared, stands: int = 1, most: int = MOST_POSES) -> Curve:
    """Edge sd against the number of poses."""
    pool, groups = prepared.pool(stands), dealt(most, stands)
    design = greedy(pool, groups, variance_gain(prepared.form), repeats_nothing(pool, groups))
    sizes = np.arange(max(2, stands), most + 1)
    sds = [prepared.edge_sds(pool.information(design[:n], groups[:n])) for n in sizes]
    return Curve(stands, design, sizes, np.array([np.median(s) for s in sds]),
                 np.array([s.max() for s in sds]))


def least_poses(prepared: Prepared, goal: float, grown: Curve) -> int:
    """The least number of poses whose exchanged plan has a worst edge sd within the goal, m.

    Raises
    ------
    GoalOutOfReach
        If no number up to the curve's largest has.
    """
    within = np.flatnonzero(grown.worst <= goal)
    most = int(grown.poses[within[0]] if len(within) else grown.poses[-1])
    design, reached = _exchanged(prepared, grown, most)
    if reached > goal:
        raise GoalOutOfReach(goal, reached, most, bounds(prepared, design, grown.stands))

    def reaches(poses):
        return poses == most or _exchanged(prepared, grown, poses)[1] <= goal

    # Exchange gains about the same share for every number: begin where that meets the goal.
    share = reached / grown.worst[list(grown.poses).index(most)]
    least = int(grown.poses[np.flatnonzero(grown.worst * share <= goal * _EQUAL)[0]])
    if reaches(least):
        while least > grown.poses[0] and reaches(least - 1):
            least -= 1
    else:
        while not reaches(least):
            least += 1
    return least


def _exchanged(prepared, grown, poses):
    """A design of so many poses and its worst edge sd."""
    pool, groups = prepared.pool(grown.stands), dealt(poses, grown.stands)
    design = chosen(prepared, pool, groups, start=grown.design[:poses])
    return design, float(prepared.edge_sds(pool.information(design, groups)).max())


def bounds(prepared: Prepared, design, stands: int = 1) -> list[tuple[str, float]]:
    """What keeps a plan from being better: worst edge sd, m, if one source of error were gone.

    Returns
    -------
    list of (str, float)
        The shots, every sensor, every taped value; what would help most comes first.
    """
    task = prepared.task
    gone = {"the shots": (replace(task.noise, shot=task.noise.shot / 100), task.taped)}
    for i, name in enumerate(task.rig.reading_names):
        sd = np.where(np.arange(len(task.noise.readings)) == i, 0.01, 1.0) * task.noise.readings
        gone[f"the {name} reading"] = replace(task.noise, readings=sd), task.taped
    for i, name in enumerate(task.taped.names):
        sd = np.where(np.arange(len(task.taped.sd)) == i, 0.01, 1.0) * task.taped.sd
        gone[f"the tape of {name}"] = task.noise, replace(task.taped, sd=sd)
    worst = {
        name: _worst_with(prepared, design, stands, *errors) for name, errors in gone.items()
    }
    return sorted(worst.items(), key=lambda item: item[1])


def _worst_with(prepared, design, stands, noise, taped):
    task, places = prepared.task, np.arange(len(design))
    rows = pose_rows(task.rig, task.parameters, prepared.readings[design], task.targets, noise)
    pool = Pool(rows, prior_information(taped, stands), prepared.n_free, stands)
    return float(prepared.edge_sds(pool.information(places, dealt(len(design), stands))).max())
