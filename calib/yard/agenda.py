"""What to do next in a run: the pose at hand, what is left to shoot in it, the poses to come."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from pydantic import Field

from calib.adjust.distributions import TIMES_SD
from calib.calibration import Problem, problem_of
from calib.chain.motion import HOUSE_PLACEMENT
from calib.document.planned import PoseRecord
from calib.edge import envelope_edge
from calib.layout import RIG
from calib.plan.further import information_so_far, undetermined, usual_sd
from calib.run.records import Poses, Run, Shots


class Proposed(PoseRecord):
    """A pose to drive to."""

    stand: str
    minutes: float
    driven: tuple[str, ...]  #: Readings that somebody drives to; the others are read only.
    #: How far below and above is still fine; None, or nothing: nobody said.
    tolerance: dict[str, tuple[float, float] | None] = Field(default_factory=dict)


@dataclass(frozen=True)
class Agenda:
    """What is to be done."""

    at: str | None  #: The pose the machine is in: the last one with readings.
    left: tuple[str, ...]  #: Targets that are planned and not shot yet in it.
    #: Poses that the machine has left, with the targets that were planned and not shot in them.
    behind: tuple[tuple[str, tuple[str, ...]], ...]
    to_come: tuple[Proposed, ...]  #: Poses of the plan without readings, in its order.
    minutes: float  #: What all that takes.


def agenda_of(planned: Sequence[Proposed], poses: Sequence[str],
              shot: Sequence[tuple[str, str]], skipped: Sequence[str] = (),
              per_shot: dict[str, float] | None = None) -> Agenda:
    """Hold a plan against what was done.

    Parameters
    ----------
    poses : sequence of str
        With readings, in their order.
    shot : sequence of (str, str)
        Pose and target of every shot.
    skipped : sequence of str
        Poses that are not to be shot, or not further.
    per_shot : dict of str to float, optional
        Minutes by target.
    """
    by_name = {one.pose: one for one in planned}
    to_come = tuple(one for one in planned if one.pose not in poses and one.pose not in skipped)
    done = set(shot)
    lacks = {pose: tuple(t for t in by_name[pose].shoot if (pose, t) not in done)
             for pose in poses if pose in by_name and pose not in skipped}
    at = poses[-1] if poses else None
    left = lacks.get(at or "", ())
    behind = tuple((pose, lacked) for pose, lacked in lacks.items() if lacked and pose != at)
    minutes = sum((per_shot or {}).get(t, 0.0) for t in left) + sum(p.minutes for p in to_come)
    return Agenda(at, left, behind, to_come, minutes)


def expected_edge(problem: Problem, unknowns: np.ndarray, poses: Sequence[Proposed]) -> float:
    """What the edge will be known to at 95 % when some poses are shot besides, worst, m.

    The mixed model's information at the unknowns as they are known; the readings of the machine
    and the shots with the sds of the rig.
    """
    run = _with_poses(problem.run, poses)
    later = problem_of(run)
    known = dict(zip(problem.names, unknowns, strict=True))
    start = np.array([known.get(name, value)
                      for name, value in zip(later.names, later.start, strict=True)])
    information = information_so_far(later, start)
    if undetermined(information):
        return float("nan")
    own = later.layout.among_free(later.layout.columns(RIG))
    covariance = np.zeros((len(run.rig.parameters),) * 2)
    free = np.flatnonzero(~run.rig.held)
    covariance[np.ix_(free, free)] = np.linalg.inv(information)[np.ix_(own, own)]
    return TIMES_SD * envelope_edge(run.rig, later.parameters(start)).worst_sd(covariance)


def _with_poses(run: Run, poses: Sequence[Proposed]) -> Run:
    """The run with poses shot as proposed; where the shots are does not matter."""
    rig, old = run.rig, run.poses
    readings = np.array([[p.readings[name] for name in rig.reading_names] for p in poses],
                        float) / rig.reading_factors
    count = len(poses)
    after = old.joined(Poses(
        tuple(f"proposed {p.pose}" for p in poses), tuple(p.stand for p in poses),
        readings.reshape(count, -1), np.tile(usual_sd(old.sd), (count, 1)), (None,) * count,
        (0,) * count, {name: np.zeros(count) for name in old.noted}))
    posture = rig.chain.posture(rig.start, HOUSE_PLACEMENT, after.readings, jacobian=False)
    its_pose = np.repeat(len(old.ids) + np.arange(count), [len(p.shoot) for p in poses])
    its_target = np.array([rig.target_names.index(t) for p in poses for t in p.shoot], int)
    more = len(its_pose)
    shots = Shots(
        tuple(f"proposed {i}" for i in range(more)), its_pose, its_target,
        posture.points(its_target, its_pose).position,
        np.tile(np.median(run.shots.covariance, axis=0), (more, 1, 1)), (None,) * more,
        (0,) * more, None if run.shots.setup is None else np.full(more, -1))
    return replace(run, poses=after, shots=run.shots.joined(shots))
