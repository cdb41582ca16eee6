"""Plans of so few poses that next to nothing is known without one of them."""

import pytest

from calib.plan.plan import make_plan
from calib.plan.task import Task, prepare
from calib.run.records import Tape


@pytest.mark.parametrize("poses", [2, 3, 4])
def test_a_plan_of_few_poses_without_tape_is_a_plan(rig, poses):
    prepared = prepare(Task.for_rig(rig, Tape.none(), count=1000))
    plan = make_plan(prepared, poses)
    assert len(plan.design) == poses

