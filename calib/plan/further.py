"""While a run goes on: what is still weak, which poses to add, and when it is enough."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.adjust.mixed_model import linearised_at
from calib.calibration import Problem
from calib.chain.circle import wrapped
from calib.layout import layout_of
from calib.plan.bundles import items_of, menu_of
from calib.plan.candidates import joints_at
from calib.plan.exchange import Pool, variance_gain
from calib.plan.information import (
    Noise,
    next_to_nothing,
    pose_design,
    pose_rows,
    prior_information,
    whitened,
)
from calib.plan.losses import rank
from calib.plan.sight import Site, can_be_shot
from calib.plan.task import Prepared, Task

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
class WhereItIs:
    """What is left to shoot in the pose the machine is in."""

    targets: tuple[int, ...]  #: Index into the rig's targets.
    minutes: float  #: Of the shots.
    #: Shape (m, k). Whitened design of what they add to what was shot there.
    rows: np.ndarray
    worst: float  #: Worst edge sd with them, m.


@dataclass(frozen=True)
class Further:
    """The best buys, one after the other."""

    #: What to shoot before the machine moves on, if that is the best buy of all.
    here: WhereItIs | None
    last: str  #: The pose the machine is in.
    joints: np.ndarray  #: joints, readings: shape (k, n_readings). Of further poses, rad.
    readings: np.ndarray
    noted: np.ndarray  #: Shape (k, n_pose_columns). What is to be noted of them.
    shots: np.ndarray  #: Bool, shape (k, t). Which of the task's targets are to be shot in them.
    minutes: np.ndarray  #: Shape (k,). What they take.
    stand: str  #: Where they are to be shot.
    #: worst, mean: shape (k + 1,). Worst and root mean square edge sd over the envelope, m: now,
    #: and after each further pose, with what is to be shot before.
    worst: np.ndarray
    mean: np.ndarray
    #: Parameters behind the worst edge sd, with their share of its variance.
    weak: tuple[tuple[str, float], ...]
    #: beyond, beyond_minutes: shape (m + 1,). As `worst`, over m >= k further poses, and the
    #: minutes up to there: as far as was looked for a goal.
    beyond: np.ndarray
    beyond_minutes: np.ndarray
    undetermined: bool  #: Whether shots and tape so far leave something undetermined.

    @property
    def first_worst(self) -> float:
        """Worst edge sd after the first buy, m."""
        return float(self.worst[1]) if self.here is None else self.here.worst

    def needed(self, goal: float) -> int | None:
        """How many further poses, one after the other, reach a goal (m); None: none looked at."""
        reached = np.flatnonzero(self.beyond <= goal)
        return int(reached[0]) if len(reached) else None

    def met(self, goal: float) -> bool:
        """Whether the edge is known to a goal, 1 sd, m."""
        return not self.undetermined and bool(self.worst[0] <= goal)

    def hardly_helps(self, worth: float = WORTH) -> bool:
        """Whether the next buy betters the worst edge sd by less than it is worth, m."""
        return not self.undetermined and bool(self.worst[0] - self.first_worst < worth)


def task_so_far(problem: Problem, unknowns: np.ndarray, targets: Sequence[str] = (),
                site: Site | None = None, count: int = 10_000, seed: int = 0) -> Task:
    """What is to be planned while a run goes on: the machine as known by now, with the run's sds.

    Parameters
    ----------
    problem : Problem
        Of the run so far, without what is set aside.
    unknowns : ndarray
        Solved, or as far as they are known.
    targets, site, count, seed
        As of `calib.plan.task.Task`.
    """
    run = problem.run
    variances = np.einsum("nii->ni", run.shots.covariance)
    noise = Noise(np.sqrt(np.median(variances, axis=0)), usual_sd(run.poses.sd))
    return Task.for_rig(
        run.rig, run.tape, targets, site=site or Site(), seed=seed, count=count, noise=noise,
        parameters=problem.parameters(unknowns))


def usual_sd(sd: np.ndarray) -> np.ndarray:
    """Median per reading, (n_poses, k) to (k,), of what is not set aside; rad or m."""
    return np.array([np.median(one[np.isfinite(one)]) if np.isfinite(one).any() else 0.0
                     for one in sd.T])


def information_so_far(problem: Problem, unknowns: np.ndarray) -> np.ndarray:
    """What shots, readings and tape tell about the free unknowns, shape (n_free, n_free).

    The mixed model's information at given unknowns, so that it exists before a run can be solved.
    """
    design = linearised_at(problem, problem.observations, problem.prior, unknowns,
                           np.zeros_like(problem.observations.readings), problem.held).design
    information: np.ndarray = design.T @ design
    return information


def further_poses(
    prepared: Prepared, problem: Problem, unknowns: np.ndarray, count: int,
    stand: str | None = None, goal: float | None = None,
) -> Further:
    """The best buys after what has been shot: more shots where the machine is, and further poses.

    What gains most per minute comes first; where the machine is, only the shots take time.

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
    last = int(problem.run.shots.pose[-1])
    here = problem.run.poses.stand[last]
    stand = here if stand is None else stand
    placement = _placement(problem, unknowns, stand)
    raw = information_so_far(problem, unknowns)
    pool = _pool(prepared, placement, _known(prepared, problem, raw, stand))
    now = pool.information([], [])
    more = _where_it_is(prepared, problem, pool, last, placement) if stand == here else None
    if more is not None:
        pool = replace(pool, prior=pool.prior + more.rows.T @ more.rows)
        more = replace(more, worst=prepared.worst(pool.prior))
    met = goal is None or prepared.worst(now) <= goal
    design = _spread_out(prepared, pool, problem, count if met else max(count, MOST_FURTHER))
    beyond = [now, *(pool.information(design[:k], np.zeros(k, int))
                     for k in range(1, len(design) + 1))]
    sds = np.array([prepared.edge_sds(information) for information in beyond])
    chosen, bundles = design[:count], prepared.bundles
    return Further(
        here=more,
        last=problem.run.poses.ids[last],
        joints=prepared.joints_of(chosen),
        readings=prepared.readings[bundles.pose[chosen]],
        noted=prepared.noted(chosen),
        shots=bundles.shots[chosen],
        minutes=pool.minutes[chosen],
        stand=stand,
        worst=sds[: count + 1].max(1),
        mean=np.sqrt(np.mean(sds[: count + 1] ** 2, axis=1)),
        weak=_weakest(prepared, now),
        beyond=sds.max(1),
        beyond_minutes=(0.0 if more is None else more.minutes)
        + np.append(0.0, np.cumsum(pool.minutes[design])),
        undetermined=undetermined(raw),
    )


def _placement(problem, unknowns, stand):
    """Where the house is on a stand that has shots, shape (4,)."""
    if stand not in problem.stands:
        raise ValueError(f"stand {stand!r} has no shots yet: one of {', '.join(problem.stands)}")
    number = problem.stands.index(stand)
    return problem.placement(unknowns)[problem.stand_of_pose == number][0]


def _known(prepared, problem, raw, stand):
    """What is known of the plan's free parameters and of a stand, from all that the run tells.

    What a first shot frees is known by its tape alone; what is not to be shot may be anything.
    """
    planned = layout_of(prepared.task.rig, (stand,))
    free, wanted = problem.layout.free_names, planned.free_names
    own = np.flatnonzero(np.isin(free, wanted))
    places = [wanted.index(free[i]) for i in own]
    so_far = raw + next_to_nothing(problem.layout)
    rest = np.setdiff1d(np.arange(len(raw)), own)
    across = so_far[np.ix_(own, rest)]
    known = prior_information(prepared.task.taped, planned)
    known[places] = known[:, places] = 0.0
    known[np.ix_(places, places)] = so_far[np.ix_(own, own)] - across @ np.linalg.solve(
        so_far[np.ix_(rest, rest)], across.T)
    return known


def _pool(prepared, placement, prior):
    """The bundles as seen from a stand whose placement is known by now."""
    task, bundles = prepared.task, prepared.bundles
    design, covariance = pose_design(task.rig, task.parameters, prepared.readings,
                                     np.array(task.targets), task.noise, placement,
                                     prepared.candidates.noted)
    rows = whitened(design, covariance, bundles.pose, bundles.shots)
    return replace(prepared.pool(1), rows=rows, prior=prior)


def _where_it_is(prepared, problem, pool, last, placement):
    """The best that is left to shoot in the last pose, if no further pose gains as much per minute.

    Shots of a pose share the errors of its readings: what is left is worth what it adds to what
    was shot there. None if there is nothing to add, or a further pose is the better buy.
    """
    task, run = prepared.task, problem.run
    readings = run.poses.readings[[last]]
    joints = joints_at(task.rig, task.parameters, readings)
    seen = can_be_shot(task.rig, task.parameters, joints, task.targets, task.site)[0]
    done = list(dict.fromkeys(run.shots.target[run.shots.pose == last].tolist()))
    left = [t for t, sees in zip(task.targets, seen, strict=True) if sees and t not in done]
    gain, effort = variance_gain(prepared.form), task.rig.effort
    covariance = np.linalg.inv(pool.prior)
    best, best_rate = None, 0.0
    for choice in menu_of(items_of(task.rig, left)) if left else ():
        more = [left[place] for item in choice for place in item]
        whole = pose_rows(task.rig, task.parameters, readings, [*done, *more], task.noise,
                          placement, noted=run.noted[[last]])
        rows = whole[0, 3 * len(done) :]
        minutes = sum(effort.of_shot(task.rig.targets[t]) for t in more)
        alone = Pool(rows[None], pool.prior, pool.columns)
        rate = float(gain(alone, covariance, 0, slice(None))[0]) / minutes
        if rate > best_rate:
            best, best_rate = WhereItIs(tuple(more), minutes, rows, np.nan), rate
    further = gain(pool, covariance, 0, slice(None)) / pool.minutes
    return best if best_rate > further.max() else None


def _spread_out(prepared, pool, problem, count):
    """Poses of the best gain per minute, none of them one that was shot or proposed already."""
    gain, pose = variance_gain(prepared.form), prepared.bundles.pose
    shot = problem.run.poses.readings[np.unique(problem.run.shots.pose)]
    driven = [i for i, r in enumerate(problem.run.rig.readings) if r.speed is not None]
    here = prepared.readings[:, driven]
    new = np.ones(len(here), bool)
    for readings in shot[:, driven]:
        new &= _apart(here, readings)
    design: list[int] = []
    for _ in range(count):
        information = pool.information(design, np.zeros(len(design), int))
        rate = gain(pool, np.linalg.inv(information), 0, slice(None)) / pool.minutes
        # Where every pose has been used, again is better than nothing.
        best = int(np.argmax(np.where(new[pose], rate, -np.inf) if new[pose].any() else rate))
        design.append(best)
        new &= _apart(here, here[pose[best]])
    return design


def _apart(readings, other):
    turn = np.abs(wrapped(readings - other))
    return turn.max(1) > _APART


def _weakest(prepared, information):
    """The parameters whose uncertainty makes the worst edge sd, largest share first."""
    covariance = prepared.covariance(information)
    node = prepared.by_parameters[int(prepared.edge_sds(information).argmax())]
    parts = np.einsum("ci,ij,cj->i", node, covariance, node)
    shares = parts / parts.sum()
    order = [i for i in np.argsort(-shares) if shares[i] > _NAMED]
    return tuple((prepared.task.free_names[i], float(shares[i])) for i in order)


def undetermined(information: np.ndarray) -> bool:
    """Whether some combination is told by nothing, whatever the units."""
    return rank(information) < len(information)
