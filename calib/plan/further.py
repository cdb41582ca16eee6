"""While a run goes on: which poses to add, what each gains, and when it is enough."""

from dataclasses import dataclass

import numpy as np

from calib.calibration import Solution
from calib.plan.exchange import Pool, greedy, variance_gain
from calib.plan.information import pose_rows
from calib.plan.plan import Prepared, edge_sds

#: A further pose that betters the worst edge sd by less than this share is not worth the drive.
WORTH = 0.02


@dataclass(frozen=True)
class Further:
    """The best further poses, one after the other.

    Attributes
    ----------
    joints, readings : ndarray, shape (k, n_readings)
        rad.
    stand : str
        Where they are to be shot.
    worst, mean : ndarray, shape (k + 1,)
        Edge sd over the envelope, m: now, and after each further pose.
    """

    joints: np.ndarray
    readings: np.ndarray
    stand: str
    worst: np.ndarray
    mean: np.ndarray

    def enough(self, goal: float | None) -> str | None:
        """A sentence when it is enough, None while a further pose is worth it."""
        now, then = 1000 * self.worst[0], 1000 * self.worst[1]
        if goal is not None and self.worst[0] <= goal:
            return (f"Enough: the edge is known to {now:.1f} mm (1 sd, worst over the envelope); "
                    f"the goal is {1000 * goal:.1f} mm.")
        if goal is None and now - then < WORTH * now:
            return (f"Enough: one more pose would better the edge from {now:.1f} to {then:.1f} mm "
                    "(1 sd, worst over the envelope) only.")
        return None


def further_poses(
    prepared: Prepared, solution: Solution, count: int, stand: str | None = None
) -> Further:
    """The best poses to add to what has been shot, in one stand.

    Parameters
    ----------
    prepared : Prepared
        Its parameters should be the solution's.
    solution : Solution
        Of the run so far, without what is set aside.
    stand : str, optional
        The stand of the last pose if not given.

    Raises
    ------
    ValueError
        If the stand has no shots yet.
    """
    problem, rig = solution.problem, solution.rig
    last = int(solution.run.shots.pose.max())
    stand = solution.run.poses.stand[last] if stand is None else stand
    if stand not in problem.stands:
        raise ValueError(f"stand {stand!r} has no shots yet: one of {', '.join(problem.stands)}")
    number = problem.stands.index(stand)
    task = prepared.task
    rows = pose_rows(rig, task.parameters, prepared.candidates.joints, task.targets, task.noise,
                     solution.stands[number])
    n_free = prepared.form.shape[0]
    information = _of_stand(solution, n_free, number)
    pool = Pool(rows, information, n_free, 1)
    groups = np.zeros(count, int)
    design = greedy(pool, groups, variance_gain(prepared.form))
    sds = []
    for k in range(count + 1):
        covariance = np.linalg.inv(pool.information(design[:k], groups[:k]))[:n_free, :n_free]
        sds.append(edge_sds(prepared, covariance))
    joints = prepared.candidates.joints[design]
    return Further(
        joints=joints,
        readings=rig.chain.readings_for(task.parameters, joints),
        stand=stand,
        worst=np.array([s.max() for s in sds]),
        mean=np.array([np.sqrt(np.mean(s**2)) for s in sds]),
    )


def _of_stand(solution, n_free, number):
    """Information about the parameters and one stand, everything else eliminated."""
    free = np.flatnonzero(solution.adjustment.free)
    covariance = solution.adjustment.covariance[np.ix_(free, free)]
    own = np.concatenate([np.arange(n_free), n_free + 4 * number + np.arange(4)])
    return np.linalg.inv(covariance[np.ix_(own, own)])
