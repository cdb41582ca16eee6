"""Noise of shots and sensors, recovered within its own stated uncertainty, and none blamed."""

import contextlib
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest

from calib.adjust.mixed_model import NotConverged
from calib.adjust.spectrum import NotDetermined
from calib.calibration import solve
from calib.judge.noise import Noise, noise
from calib.report.words.noise import noise_says
from calib.simulate import simulate

COLUMN = {"house_pitch": 0, "house_roll": 1, "boom": 2, "stick": 3, "coupler": 4, "tilt": 5}


def noisier(run, rng, column, times):
    readings = run.poses.readings.copy()
    extra = np.sqrt(times**2 - 1) * run.poses.sd[:, column]
    readings[:, column] += rng.normal(size=len(readings)) * extra
    return replace(run, poses=replace(run.poses, readings=readings))


def stated(run, shots=1.0, readings=1.0):
    """The run with its stated sds multiplied."""
    return replace(run, poses=replace(run.poses, sd=run.poses.sd * readings),
                   shots=replace(run.shots, covariance=run.shots.covariance * shots**2))


def names(found):
    return {n.name for n in found if n.differs and not n.kinds}


@pytest.mark.slow
@pytest.mark.parametrize("name, times, least", [("tilt", 3, 11), ("house_roll", 5, 8),
                                                ("coupler", 5, 8)])
def test_the_noisy_sensor_is_named_and_no_other(rig, name, times, least):
    """12 runs each: a noise that a best test would nearly always find is, intervals cover."""
    named, blamed, inside, total = 0, 0, 0, 0
    for seed in range(12):
        rng = np.random.default_rng(600 + seed)
        run, _ = simulate(rig, rng, poses=30, stands=1 + seed % 2)
        found = noise(solve(noisier(run, rng, COLUMN[name], times)))
        named += name in names(found)
        blamed += bool(names(found) - {name}) or any(name not in n.kinds for n in found if n.kinds)
        for kind in found:
            if np.isfinite(kind.times):
                truth = times if kind.name == name else 1.0
                inside, total = inside + (kind.low95 <= truth <= kind.high95), total + 1
    assert named >= least
    assert blamed <= 1
    assert total >= 12 * 7
    assert inside / total >= 0.91


@pytest.mark.slow
def test_clean_runs_are_left_alone(rig):
    """In 40 runs with noise as stated some kind is called wrong in 5 at most."""
    wrong = 0
    for seed in range(40):
        run, _ = simulate(rig, np.random.default_rng(6100 + seed), poses=24, stands=1 + seed % 2)
        wrong += any(n.differs for n in noise(solve(run)))
    assert wrong <= 5


def test_says_which_sensor_is_noisy(rig):
    """The sentence names the sensor and the factor, and the others are left alone."""
    rng = np.random.default_rng(1)
    run, _ = simulate(rig, rng, poses=40)
    says = {kind.name: kind for kind in noise(solve(noisier(run, rng, 5, 4.0)))}
    assert says["tilt"].differs
    assert says["tilt"].times == pytest.approx(4, rel=0.4)
    assert "times noisier than stated (95 %: " in noise_says(says["tilt"])
    assert noise_says(says["house_pitch"]) == \
        "The reading house pitch: too little redundancy to say."


@pytest.mark.parametrize("poses", [1, 2, 3, 4, 5])
def test_runs_of_few_poses(rig, poses):
    """Whatever can be told is, nothing is blamed, and a run of one pose tells of nothing."""
    for seed in range(3):
        run, _ = simulate(rig, np.random.default_rng(6200 + seed), poses=poses)
        found = noise(solve(run))
        assert len(found) >= 2 + len(rig.reading_names)
        assert not names(found)
        if poses == 1:
            assert not any(np.isfinite(n.times) for n in found)
            assert noise_says(found[0]) == "Horizontal shots: too little redundancy to say."


@pytest.mark.parametrize("shots, readings", [(10, 10), (50, 50), (1000, 1000), (1e-3, 1e-3),
                                             (1000, 1), (1, 50)])
def test_sds_far_off(rig, shots, readings):
    """sds that are wrong by orders of magnitude, both or one, come out as what they are."""
    run, _ = simulate(rig, np.random.default_rng(6300), poses=24)
    found = {n.name: n for n in noise(solve(stated(run, shots, readings)))}
    told = [n for n in found.values() if np.isfinite(n.times)]
    assert told
    for kind in told:
        truth = 1 / (shots if kind.name.endswith("shots") else readings)
        assert kind.low95 <= truth * 1.6 and kind.high95 >= truth / 1.6
    if shots != 1:
        assert found["horizontal shots"].differs


@pytest.mark.parametrize("column", [
    0, 3, *(pytest.param(column, marks=pytest.mark.slow) for column in (1, 2, 4, 5, 6))])
@pytest.mark.parametrize("factor", [-1.0, 400 / 360])
def test_wrong_readings_end_in_words(rig, column, factor):
    """A sensor of the wrong sign or in gon never ends in a fault of the program."""
    run, _ = simulate(rig, np.random.default_rng(6400), poses=20)
    readings = run.poses.readings.copy()
    readings[:, column] *= factor
    with contextlib.suppress(NotDetermined, NotConverged):
        solution = solve(replace(run, poses=replace(run.poses, readings=readings)))
        assert all(noise_says(n) for n in noise(solution))


def test_memory_grows_with_the_run_and_not_with_its_square(rig):
    """Four times the poses take less than seven times the memory; full matrices took sixteen."""
    peaks = []
    for poses in (25, 100):
        solution = solve(simulate(rig, np.random.default_rng(6500), poses=poses)[0])
        tracemalloc.start()
        noise(solution)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 7 * peaks[0]


@pytest.mark.parametrize("kinds, says", [
    (("tilt", "vertical shots"), "The reading tilt or vertical shots are noisier than stated, or "
     "several kinds are: the run cannot tell which."),
    (("tilt",), "The reading tilt is noisier than stated, or several kinds are: no other kind "
     "alone explains it."),
    (tuple("abcde"), "Some values are noisier than stated: the run cannot tell which kind."),
])
def test_says_of_groups(kinds, says):
    group = Noise(" or ".join(kinds), *[np.nan] * 4, 9.0, True, True, kinds)
    assert noise_says(group) == says


@pytest.mark.parametrize("times, low, high, differs, says", [
    (1.2, 0.8, 1.9, False, "The reading tilt is as noisy as stated (95 %: 0.8 to 1.9 times)."),
    (1.5, 1.1, 2.2, False, "The reading tilt is 1.5 times as noisy as stated (95 %: 1.1 to 2.2 "
     "times), which chance does to one kind among several."),
    (0.5, 0.2, 0.9, True, "The reading tilt is 2.0 times less noisy than stated (95 %: 0.2 to 0.9 "
     "times)."),
    (0.0, 0.0, 0.7, True, "The reading tilt shows next to no noise (95 %: 0 to 0.7 times)."),
])
def test_says_of_one_kind(times, low, high, differs, says):
    kind = Noise("tilt", times, 0.2, low, high, 9.0, differs, times > 1)
    assert noise_says(kind) == says
