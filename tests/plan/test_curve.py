"""How many minutes: the curve, its knee, the least for a goal, and what bounds one out of reach."""

from dataclasses import replace

import numpy as np
import pytest

from calib.plan.budget import Design
from calib.plan.curve import (
    GoalOutOfReach,
    bounds,
    curve,
    curves,
    edge_alone,
    knee_of,
    least_minutes,
)
from calib.plan.information import Noise
from calib.plan.plan import make_plan
from calib.plan.task import Task, prepare
from calib.run.records import Tape


@pytest.fixture(scope="module")
def grown(prepared):
    return curve(prepared, most=60.0)


def test_more_minutes_are_better(grown):
    """Mean edge variance falls with every pose; so does the worst over a few."""
    assert (np.diff(grown.minutes) > 0).all() and grown.minutes[-1] <= 62
    assert list(grown.poses) == list(range(2, len(grown.minutes) + 2))
    assert (grown.median <= grown.worst).all()
    assert (np.diff(grown.median) < 1e-6).all()
    assert (grown.worst[4:] < grown.worst[:-4]).all()


def test_pins_are_worth_their_minutes(prepared, grown):
    """For the same minutes the edge alone is known half as well."""
    alone = curve(edge_alone(prepared), most=60.0)
    there = np.interp(alone.minutes, grown.minutes, grown.worst)[alone.minutes > 20]
    assert (alone.worst[alone.minutes > 20] > 1.6 * there).all()


def test_whole_plan_is_no_worse_than_the_curve(prepared, grown):
    """Exchange betters the growing plan a little."""
    plan = make_plan(prepared, minutes=float(grown.minutes[10]) + 0.1)
    assert 0.85 * grown.worst[10] < plan.edge_sd.max() <= grown.worst[10] * 1.03
    assert plan.minutes.total <= grown.minutes[10] + 0.1


def test_curve_goes_through_a_plan(prepared, planned):
    """Its own row is that of the plan; fewer poses are worse than it, and more are better."""
    through = curve(prepared, 1, 60.0, Design((*planned.design,), (*planned.stand,)))
    at = list(through.poses).index(len(planned.design))
    assert through.minutes[at] == pytest.approx(planned.minutes.total)
    assert through.worst[at] == pytest.approx(planned.edge_sd.max())
    assert through.poses[0] == 2 and through.minutes[-1] > planned.minutes.total
    assert (np.diff(through.minutes) > 0).all() and (np.diff(through.median) < 0).all()


@pytest.mark.slow
def test_curve_agrees_with_the_least_minutes_where_nothing_is_taped(rig):
    """From nothing few poses determine nothing; through a plan they do."""
    bare = prepare(Task.for_rig(rig, Tape.none(), count=3000))
    plan, goal = make_plan(bare, minutes=14.0), 0.015
    assert plan.edge_sd.max() < goal < curve(bare, most=14.0).worst[-1]
    through, alone = curves(plan, 20.0, 14.0)
    assert (through.worst[through.minutes >= 13] < goal).all()
    assert np.interp(plan.minutes.total, alone.minutes, alone.worst) < 1.0


def test_knee_by_hand():
    """What falls as 1 / minutes falls by a tenth in ten minutes up to 90, by less after it."""
    minutes = np.arange(5.0, 200.0, 5.0)
    assert knee_of(minutes, 0.1 / minutes) == 90.0
    assert knee_of(minutes[:5], 0.1 / minutes[:5]) is None


@pytest.mark.slow
def test_least_minutes_reach_the_goal_and_fewer_do_not(prepared):
    """Checked by making both plans."""
    goal = 0.0045
    least = least_minutes(prepared, goal)
    assert 10 < least < 30
    assert make_plan(prepared, minutes=least).edge_sd.max() <= goal
    assert make_plan(prepared, minutes=least - 2).edge_sd.max() > goal * 0.995


def test_goal_out_of_reach_says_what_bounds_it(prepared):
    """The first source named is the one without which the plan would be best, by hand."""
    with pytest.raises(GoalOutOfReach, match=r"240 minutes reach .* not 0\.0005 m") as caught:
        least_minutes(prepared, 0.0005)
    named = caught.value.bounds
    assert [worst for _, worst in named] == sorted(worst for _, worst in named)
    assert {"the shots", "the tape of boom_length", "the rotate reading"} <= {n for n, _ in named}
    task = prepared.task
    first = next(name.split()[1] for name, _ in named if name.endswith(" reading"))
    sd = task.noise.readings.copy()
    sd[task.rig.reading_names.index(first)] /= 100
    better = prepare(replace(task, noise=Noise(task.noise.shot, sd)))
    as_it_is = curve(prepared, most=60.0).worst[-1]
    assert curve(better, most=60.0).worst[-1] < 0.95 * as_it_is
    assert dict(bounds(prepared, 60.0))[f"the {first} reading"] < 0.95 * as_it_is


def test_curve_of_stands_begins_with_one_pose_each(prepared):
    """Three stands need three poses, and the ways between them their minutes."""
    three = curve(prepared, stands=3, most=60.0)
    assert three.poses[0] == 3 and three.minutes[0] > 2 * prepared.task.rig.effort.stand
