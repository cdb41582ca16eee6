"""While a run goes on: what is still weak, which poses to add, and when it is enough."""

from dataclasses import dataclass

import numpy as np

from calib.adjust.whitening import misclosure_covariance, whiteners_of
from calib.calibration import Problem
from calib.layout import RIG, STAND
from calib.plan.exchange import Pool, variance_gain
from calib.plan.information import next_to_nothing, pose_rows
from calib.plan.plan import Prepared

#: A further pose that betters the worst edge sd by less than this is not worth the drive, m
#: (common practice, no source).
WORTH = 0.0002

#: A goal is looked for in so many further poses at most.
MOST_FURTHER = 40

#: Parts of the worst edge variance below this share are not named.
_NAMED = 0.15

#: Joints are this far apart, rad, in at least one joint from every pose shot and proposed before.
_APART = np.radians(5.0)


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
        Worst and root mean square edge sd over the envelope, m: now, and after each further pose.
    weak : tuple of (str, float)
        Parameters behind the worst edge sd, with their share of its variance.
    beyond : ndarray, shape (m + 1,)
        As `worst`, over m >= k further poses: as far as was looked for a goal.
    undetermined : bool
        Whether shots and tape so far leave something undetermined.
    """

    joints: np.ndarray
    readings: np.ndarray
    stand: str
    worst: np.ndarray
    mean: np.ndarray
    weak: tuple[tuple[str, float], ...]
    beyond: np.ndarray
    undetermined: bool

    def needed(self, goal: float) -> int | None:
        """How many further poses, one after the other, reach a goal (m); None: none looked at."""
        reached = np.flatnonzero(self.beyond <= goal)
        return int(reached[0]) if len(reached) else None

    def enough(self, goal: float | None, worth: float = WORTH) -> str | None:
        """A sentence when it is enough, None while a further pose is worth it."""
        now, then = 1000 * self.worst[0], 1000 * self.worst[1]
        if self.undetermined:
            return None
        if goal is not None and self.worst[0] <= goal:
            return (f"Enough: the edge is known to {now:.1f} mm (1 sd, worst over the envelope); "
                    f"the goal is {1000 * goal:.1f} mm.")
        if now - then < 1000 * worth:
            start = "Enough" if goal is None else (
                f"The goal of {1000 * goal:.1f} mm is not met, but one more pose hardly helps")
            return (f"{start}: the best further pose would better the edge from {now:.2f} to "
                    f"{then:.2f} mm only (1 sd, worst over the envelope).")
        return None


def information_so_far(problem: Problem, unknowns: np.ndarray) -> np.ndarray:
    """What shots, readings and tape tell about the free unknowns, shape (n_free, n_free).

    The mixed model's information at given unknowns, so that it exists before a run can be solved.
    """
    observations, free = problem.observations, ~problem.held
    prediction = problem(unknowns, observations.readings)
    information = np.zeros((int(free.sum()),) * 2)
    for group in observations.groups:
        b = prediction.by_readings[group.rows]
        q = observations.powerless_covariance[group.blocks]
        g = whiteners_of(misclosure_covariance(group.covariance, b, q))
        rows = g @ prediction.by_parameters[:, free][group.rows]
        information += np.einsum("gmi,gmj->ij", rows, rows)
    _, by_unknowns = problem.prior.function(unknowns)
    h = by_unknowns[:, free]
    return information + h.T @ np.linalg.solve(problem.prior.covariance, h)


def further_poses(
    prepared: Prepared, problem: Problem, unknowns: np.ndarray, count: int,
    stand: str | None = None, goal: float | None = None,
) -> Further:
    """The best poses to add to what has been shot, in one stand.

    Parameters
    ----------
    prepared : Prepared
        Its parameters should be those of `unknowns`.
    problem : Problem
        Of the run so far, without what is set aside.
    unknowns : ndarray
        Solved, or as far as they are known.
    stand : str, optional
        The stand of the last shot if not given.
    goal : float, optional
        Worst edge sd, m: up to `MOST_FURTHER` poses are looked at to reach it.

    Raises
    ------
    ValueError
        If the stand has no shots yet.
    """
    rig, task, n_free = problem.run.rig, prepared.task, prepared.n_free
    last = int(problem.run.shots.pose[-1])
    stand = problem.run.poses.stand[last] if stand is None else stand
    if stand not in problem.stands:
        raise ValueError(f"stand {stand!r} has no shots yet: one of {', '.join(problem.stands)}")
    number = problem.stands.index(stand)
    placement = problem.placement(unknowns)[problem.stand_of_pose == number][0]
    rows = pose_rows(rig, task.parameters, prepared.readings, task.targets, task.noise, placement)
    so_far = information_so_far(problem, unknowns)
    layout = problem.layout
    own = np.append(layout.among_free(layout.columns(RIG)),
                    layout.among_free(layout.columns(STAND, stand)))
    pool = Pool(rows, _of_these(so_far, n_free, own), n_free, 1)
    now = pool.information([], [])
    met = goal is None or prepared.edge_sds(now).max() <= goal
    design = _spread_out(prepared, pool, problem, count if met else max(count, MOST_FURTHER))
    beyond = np.array([prepared.edge_sds(pool.information(design[:k], np.zeros(k, int)))
                       for k in range(len(design) + 1)])
    design, sds = design[:count], beyond[: count + 1]
    return Further(
        joints=prepared.candidates.joints[design],
        readings=prepared.readings[design],
        stand=stand,
        worst=sds.max(1),
        mean=np.sqrt(np.mean(sds**2, axis=1)),
        weak=_weakest(prepared, now),
        beyond=beyond.max(1),
        undetermined=_undetermined(so_far),
    )


def _spread_out(prepared, pool, problem, count):
    """Greedy poses, none of them one that was shot or proposed already."""
    gain = variance_gain(prepared.form)
    shot = problem.run.poses.readings[np.unique(problem.run.shots.pose)]
    driven = [i for i, r in enumerate(problem.run.rig.readings) if r.speed is not None]
    here = prepared.readings[:, driven]
    new = np.ones(len(here), bool)
    for readings in shot[:, driven]:
        new &= _apart(here, readings)
    design: list[int] = []
    for _ in range(count):
        information = pool.information(design, np.zeros(len(design), int))
        gains = gain(pool, np.linalg.inv(information), 0, slice(None))
        # Where every pose has been used, again is better than nothing.
        best = int(np.argmax(np.where(new, gains, -np.inf) if new.any() else gains))
        design.append(best)
        new &= _apart(here, here[best])
    return design


def _apart(readings, other):
    turn = np.abs((readings - other + np.pi) % (2 * np.pi) - np.pi)
    return turn.max(1) > _APART


def _of_these(so_far, n_free, own):
    """Information about some of the free unknowns, everything else eliminated."""
    size = len(so_far)
    regular = so_far + next_to_nothing(n_free, size - n_free)
    rest = np.setdiff1d(np.arange(size), own)
    across = regular[np.ix_(own, rest)]
    return regular[np.ix_(own, own)] - across @ np.linalg.solve(
        regular[np.ix_(rest, rest)], across.T)


def _weakest(prepared, information):
    """The parameters whose uncertainty makes the worst edge sd, largest share first."""
    covariance = np.linalg.inv(information)[: prepared.n_free, : prepared.n_free]
    node = prepared.by_parameters[int(prepared.edge_sds(information).argmax())]
    parts = np.einsum("ci,ij,cj->i", node, covariance, node)
    shares = parts / parts.sum()
    order = [i for i in np.argsort(-shares) if shares[i] > _NAMED]
    return tuple((prepared.task.free_names[i], float(shares[i])) for i in order)


def _undetermined(information):
    scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
    values = np.linalg.eigvalsh(information / np.outer(scale, scale))
    return bool(values[0] < 1e-13 * values[-1])
