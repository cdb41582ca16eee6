"""Sag and play, planted and looked for."""

from dataclasses import replace

import numpy as np
import pytest

from calib.calibration import solve
from calib.judge.trends import _house_view, approach, trends
from calib.report.words.trend import trend_name, trend_says
from calib.simulate import simulate


def test_sag_is_named_first(rig):
    """An edge that hangs lower with the square of its reach: lower per m of reach, like sag."""
    for seed in range(4):
        run, _ = simulate(rig, np.random.default_rng(seed), stands=1 + seed % 2)
        _, reach, _ = _house_view(solve(run))
        position = run.shots.position.copy()
        position[:, 2] -= 0.0005 * reach**2
        sagging = replace(run, shots=replace(run.shots, position=position))
        first = trends(solve(sagging))[0]
        assert trend_name(first) == "up against reach"
        assert first.significant and first.slope < 0
        assert "lower per m of reach. It looks like sag." in trend_says(first)


def test_play_is_named_with_its_size(rig):
    """A stick that reads 0.4 deg differently up and down: found, within its own uncertainty."""
    pulls = []
    for seed in range(6):
        run, _ = simulate(rig, np.random.default_rng(20 + seed))
        readings = run.poses.readings.copy()
        readings[:, 3] += np.radians(0.4) / 2 * approach(run)[:, 3]
        first = trends(solve(replace(run, poses=replace(run.poses, readings=readings))))[0]
        assert trend_name(first) == "stick against its direction of approach"
        assert "play in a pin" in trend_says(first)
        pulls.append((first.slope - 0.4) / first.sd)
    assert np.abs(np.mean(pulls)) < 3 / np.sqrt(6)
    assert np.std(pulls) < 2.5


def test_a_reading_out_of_scale_is_named(rig):
    """A boom sensor that shows 3 % too much."""
    run, _ = simulate(rig, np.random.default_rng(30))
    readings = run.poses.readings.copy()
    readings[:, 2] *= 1.03
    first = trends(solve(replace(run, poses=replace(run.poses, readings=readings))))[0]
    assert trend_name(first) == "boom against itself"
    assert first.slope == pytest.approx(3, abs=4 * first.sd)


@pytest.mark.slow
def test_clean_runs_show_trends_at_the_stated_rate(rig):
    """40 clean runs: a trend in about one of twenty, in no more than six."""
    claims = sum(trends(solve(simulate(rig, np.random.default_rng(100 + s))[0]))[0].significant
                 for s in range(40))
    assert claims <= 6


def test_single_trends_are_chi_square(rig):
    """Over 40 clean runs one-dimensional trends exceed the 5 % limit in 5 %."""
    beyond, total = 0, 0
    for seed in range(40):
        run, _ = simulate(rig, np.random.default_rng(200 + seed), poses=16)
        for trend in trends(solve(run)):
            if trend.dof == 1:
                beyond, total = beyond + (trend.statistic > 3.841), total + 1
    assert beyond / total == pytest.approx(0.05, abs=0.025)


@pytest.mark.parametrize("per_square", [0.0005, 0.00003])
def test_an_edge_that_comes_out_higher_is_no_sag(rig, per_square):
    """Higher with the square of the reach, much or little: the same trend without that word."""
    run, _ = simulate(rig, np.random.default_rng(1))
    _, reach, _ = _house_view(solve(run))
    position = run.shots.position.copy()
    position[:, 2] += per_square * reach**2
    found = trends(solve(replace(run, shots=replace(run.shots, position=position))))
    trend = next(t for t in found if trend_name(t) == "up against reach")
    assert trend.slope > 0 and (trend.slope < 1) == (per_square < 0.0003)
    says = trend_says(trend)
    assert "higher per m of reach." in says and "sag" not in says


def test_a_boom_that_leans_as_it_rises_is_measured(rig):
    """The edge goes 0.5 mm left per deg of boom: named, with its size and unit."""
    pulls = []
    for seed in range(4):
        run, _ = simulate(rig, np.random.default_rng(60 + seed))
        axes, _, joints = _house_view(solve(run))
        angle = np.degrees(joints[run.shots.pose, 2])
        position = run.shots.position + 0.0005 * angle[:, None] * axes["left"]
        found = trends(solve(replace(run, shots=replace(run.shots, position=position))))
        trend = next(t for t in found if trend_name(t) == "left against the boom joint")
        assert trend.unit == "mm/deg" and trend.significant
        says = trend_says(trend)
        assert f"{abs(trend.slope):.2f}" in says and "left per deg of the boom" in says
        pulls.append((trend.slope - 0.5) / trend.sd)
    assert np.abs(pulls).max() < 4 and np.abs(np.mean(pulls)) < 2


def test_which_way_a_joint_came(rig):
    """Against the pose before at the same stand, the short way round; 4 sds are no movement."""
    run, _ = simulate(rig, np.random.default_rng(3), poses=6, stands=2)
    readings, sd = np.zeros((6, 7)), run.poses.sd
    stand = ("A", "A", "B", "A", "B", "A")
    readings[:, 6] = np.radians([170, -170, 0, 100, 0, 100])
    readings[1, 2], readings[3, 2] = 4 * sd[1, 2], 4 * sd[1, 2] + 6 * sd[3, 2]
    poses = replace(run.poses, readings=readings, stand=stand)
    came = approach(replace(run, poses=poses))
    assert came[:, 6].tolist() == [0, 1, 0, -1, 0, 0]
    assert came[:, 2].tolist() == [0, 0, 0, 1, 0, -1]


def test_play_is_not_looked_for_where_a_joint_came_one_way(rig):
    """The boom only ever rises: whatever depends on its approach is a constant, its zero."""
    run, _ = simulate(rig, np.random.default_rng(3), poses=16)
    order = np.argsort(run.poses.readings[:, 2])
    place = np.argsort(order)
    poses = replace(run.poses, readings=run.poses.readings[order], sd=run.poses.sd[order])
    sorted_run = replace(run, poses=poses, shots=replace(run.shots, pose=place[run.shots.pose]))
    names = [trend_name(t) for t in trends(solve(sorted_run))]
    assert "boom against its direction of approach" not in names
    assert "stick against its direction of approach" in names
    assert not any(n.startswith("house_pitch against i") for n in names)
