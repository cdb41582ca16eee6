"""Plans of so few poses that next to nothing is known without one of them."""

import numpy as np
import pytest

from calib.chain.rig import template_names
from calib.plan.curve import _reached
from calib.plan.plan import make_plan
from calib.plan.task import Task, prepare
from calib.run.folder import described
from calib.run.records import Tape


@pytest.mark.parametrize("poses", [2, 3, 4])
def test_a_plan_of_few_poses_without_tape_is_a_plan(rig, poses):
    prepared = prepare(Task.for_rig(rig, Tape.none(), count=1000))
    plan = make_plan(prepared, poses)
    assert len(plan.design) == poses



@pytest.mark.parametrize("name", template_names())
def test_few_minutes_without_a_tape_have_a_plan(name):
    """However little it tells, the edge has an sd, and more minutes make it smaller."""
    prepared = prepare(Task.for_rig(described(name), count=200))
    worst = [_reached(prepared, minutes, 1) for minutes in (2, 5, 12)]
    assert np.isfinite(worst).all() and worst[0] > worst[1] > worst[2]
