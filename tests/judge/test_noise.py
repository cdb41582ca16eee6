"""Noise of shots and sensors, recovered within its own stated uncertainty."""

from dataclasses import replace

import numpy as np
import pytest

from calib.calibration import solve
from calib.judge.noise import noise
from calib.simulate import simulate


def noisier(run, rng, column, times):
    readings = run.poses.readings.copy()
    extra = np.sqrt(times**2 - 1) * run.poses.sd[:, column]
    readings[:, column] += rng.normal(size=len(readings)) * extra
    return replace(run, poses=replace(run.poses, readings=readings))


@pytest.mark.slow
def test_intervals_cover_the_truth(rig):
    """20 runs with a tilt sensor three times as noisy: intervals cover in 90 to 99 %."""
    inside, total = 0, 0
    for seed in range(20):
        rng = np.random.default_rng(600 + seed)
        run, _ = simulate(rig, rng, poses=30, stands=1 + seed % 2)
        for kind in noise(solve(noisier(run, rng, 5, 3.0))):
            if np.isfinite(kind.times):
                truth = 3.0 if kind.name == "tilt" else 1.0
                inside, total = inside + (kind.low95 <= truth <= kind.high95), total + 1
    assert total > 20 * 4
    assert 0.90 <= inside / total <= 0.99


def test_says_which_sensor_is_noisy(rig):
    """The sentence names the sensor and the factor, and the others are left alone."""
    rng = np.random.default_rng(1)
    run, _ = simulate(rig, rng, poses=40)
    says = {kind.name: kind for kind in noise(solve(noisier(run, rng, 5, 4.0)))}
    assert says["tilt"].differs
    assert says["tilt"].times == pytest.approx(4, rel=0.4)
    assert "times noisier than stated (95 %: " in says["tilt"].says
    assert says["house_pitch"].says == "The reading house_pitch: too little redundancy to say."
