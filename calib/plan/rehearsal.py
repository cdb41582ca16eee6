"""A plan carried out on an invented machine: a run with known truth, shot as planned."""

import numpy as np

from calib.plan.plan import Plan
from calib.run.records import Run
from calib.simulate import Truth, simulate


def rehearsed(
    plan: Plan, rng: np.random.Generator, *, parameters: np.ndarray | None = None,
    check_poses: int = 0, gross_errors: int = 0,
) -> tuple[Run, Truth]:
    """The run that a plan gives.

    The house is as level as one that has been parked, not as level as planned.

    Parameters
    ----------
    parameters : ndarray, shape (n_parameters,), optional
        The true machine, m or rad; drawn around the template if not given.
    check_poses : int
        Further poses, drawn from those that can be shot, in which the edge is shot as a check.
    gross_errors : int
        Planted in so many shots.
    """
    task, poses = plan.prepared.task, plan.prepared.candidates.joints
    extra = rng.choice(len(poses), check_poses, replace=False)
    joints = np.vstack([plan.joints, poses[extra]])
    joints[:, [r.speed is None for r in task.rig.readings]] = np.nan
    on_edge = np.isin(task.targets, task.rig.edge_targets)
    return simulate(
        task.rig, rng, poses=len(plan.design), stands=plan.stands, stand=plan.stand,
        targets=[task.rig.target_names[t] for t in task.targets], parameters=parameters,
        joints=joints, shots=np.vstack([plan.shots, np.tile(on_edge, (check_poses, 1))]),
        check_poses=check_poses, gross_errors=gross_errors,
        noted=np.vstack([plan.noted, plan.prepared.candidates.noted[extra]]))
