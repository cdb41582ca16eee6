"""A plan carried out: what was planned is shot, on a machine that stands as machines do."""

import numpy as np
import pytest

from calib.chain.circle import wrapped
from calib.plan.plan import make_plan
from calib.plan.rehearsal import rehearsed


@pytest.fixture(scope="module")
def plan(prepared):
    return make_plan(prepared, poses=6, stands=2)


def test_what_is_planned_is_shot(plan):
    """Poses, stands and shots are those of the plan; check shots are of the edge, elsewhere."""
    task = plan.prepared.task
    run, truth = rehearsed(plan, np.random.default_rng(1), check_poses=2, gross_errors=3)
    assert run.poses.stand == (*(f"S{s + 1}" for s in plan.stand), "S2", "S2")
    pose, place = np.nonzero(plan.shots)
    assert run.shots.pose.tolist() == pose.tolist()
    assert run.shots.target.tolist() == [task.targets[k] for k in place]
    names = [run.rig.target_names[t] for t in run.check.target]
    assert names == 2 * ["edge_left", "edge_right"] and set(run.check.pose) == {6, 7}
    assert len(truth.gross) == 3 and set(truth.gross) <= set(run.shots.ids)


def test_the_machine_is_driven_as_planned_and_stands_as_it_is_parked(plan):
    """Driven joints are those planned; the house is a little off level, nearly alike in a stand."""
    task = plan.prepared.task
    _, truth = rehearsed(plan, np.random.default_rng(2))
    joints = task.rig.chain.posture(truth.parameters, truth.placements[plan.stand], truth.readings,
                                    jacobian=False).joints
    driven = np.array([r.speed is not None for r in task.rig.readings])
    assert np.abs(wrapped(joints - plan.joints)[:, driven]).max() < 1e-9
    level = np.degrees(joints[:, ~driven])
    assert 0.1 < np.abs(level).max() < 6
    for stand in (0, 1):
        assert np.ptp(level[plan.stand == stand], axis=0).max() < 1
