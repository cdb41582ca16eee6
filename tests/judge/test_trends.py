"""Sag and play, planted and looked for."""

from dataclasses import replace

import numpy as np
import pytest

from calib.calibration import solve
from calib.judge.trends import _approach, _house_view, trends
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
        assert first.name == "up against reach"
        assert first.significant and first.slope < 0
        assert "lower per m of reach. It looks like sag." in first.says


def test_play_is_named_with_its_size(rig):
    """A stick that reads 0.4 deg differently up and down: found, within its own uncertainty."""
    pulls = []
    for seed in range(6):
        run, _ = simulate(rig, np.random.default_rng(20 + seed))
        readings = run.poses.readings.copy()
        readings[:, 3] += np.radians(0.4) / 2 * _approach(solve(run))[:, 3]
        first = trends(solve(replace(run, poses=replace(run.poses, readings=readings))))[0]
        assert first.name == "stick against its direction of approach"
        assert "play in a pin" in first.says
        pulls.append((first.slope - 0.4) / first.sd)
    assert np.abs(np.mean(pulls)) < 3 / np.sqrt(6)
    assert np.std(pulls) < 2.5


def test_a_reading_out_of_scale_is_named(rig):
    """A boom sensor that shows 3 % too much."""
    run, _ = simulate(rig, np.random.default_rng(30))
    readings = run.poses.readings.copy()
    readings[:, 2] *= 1.03
    first = trends(solve(replace(run, poses=replace(run.poses, readings=readings))))[0]
    assert first.name == "boom against itself"
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
