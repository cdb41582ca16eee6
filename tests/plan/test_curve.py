"""How many poses: the curve, the least number for a goal, and what bounds a goal out of reach."""

from dataclasses import replace

import numpy as np
import pytest

from calib.plan.curve import GoalOutOfReach, bounds, curve, least_poses
from calib.plan.information import Noise
from calib.plan.plan import make_plan, prepare


@pytest.fixture(scope="module")
def grown(prepared):
    return curve(prepared, most=30)


def test_more_poses_are_better(prepared, grown):
    """Mean edge variance falls with every pose; so do worst and median over a few."""
    assert list(grown.poses) == list(range(2, 31))
    assert (grown.median <= grown.worst).all()
    assert (np.diff(grown.median) < 1e-6).all()
    assert (grown.worst[4::4] < grown.worst[:-4:4][: len(grown.worst[4::4])]).all()


def test_whole_plan_is_no_worse_than_the_curve(prepared, grown):
    """Exchange betters the growing plan a little."""
    at = list(grown.poses).index(16)
    plan = make_plan(prepared, 16)
    assert 0.9 * grown.worst[at] < plan.edge_sd.max() <= grown.worst[at] * 1.001


def test_least_number_reaches_the_goal_and_one_fewer_does_not(prepared, grown):
    """Checked by making both plans."""
    goal = 0.0055
    least = least_poses(prepared, goal, grown)
    assert 5 < least < 25
    assert make_plan(prepared, least).edge_sd.max() <= goal * 1.005
    assert make_plan(prepared, least - 1).edge_sd.max() > goal * 0.995


def test_goal_out_of_reach_says_what_bounds_it(prepared, grown):
    """The first source named is the one without which the plan would be best, by hand."""
    with pytest.raises(GoalOutOfReach, match=r"0\.5 mm is out of reach: 30 poses reach") as caught:
        least_poses(prepared, 0.0005, grown)
    named = caught.value.bounds
    assert named[0][0] == "the boom reading"
    assert [worst for _, worst in named] == sorted(worst for _, worst in named)
    assert {"the shots", "the tape of boom_length", "the rotate reading"} <= {n for n, _ in named}
    assert named[-1][1] <= caught.value.reached * 1.001

    task = prepared.task
    sd = task.noise.readings.copy()
    sd[task.rig.reading_names.index("boom")] /= 100
    better = prepare(replace(task, noise=Noise(task.noise.shot, sd)))
    assert curve(better, most=30).worst[-1] < 0.9 * caught.value.reached
    assert dict(bounds(prepared, grown.design, 1))["the boom reading"] < 0.9 * grown.worst[-1]


def test_curve_of_stands_begins_with_one_pose_each(prepared):
    """Three stands need three poses."""
    assert curve(prepared, stands=3, most=6).poses[0] == 3
