"""Errors of shots that go together are found, named, and not taken for a good fit."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import kstest

from calib.calibration import solve
from calib.judge.correlation import correlation, order_of_shots
from calib.judge.gates import GLOBAL_TEST, global_gate
from calib.judge.judgement import judge
from calib.report.words.gate import gate_says, global_test_says
from calib.report.words.noise import noise_says
from calib.simulate import simulate

ROVER = np.array([0.008, 0.008, 0.012])


def wandering(rig, seed, coefficient, sd=ROVER, order=None, stands=1):
    """A run with errors of sds as stated, each going on from the one before in `order`."""
    rng = np.random.default_rng(seed)
    run, truth = simulate(rig, rng, poses=24, stands=stands)
    order = np.arange(len(run.shots)) if order is None else order(rng, len(run.shots))
    errors = rng.normal(size=(len(order), 3))
    for i in range(1, len(order)):
        errors[i] = coefficient * errors[i - 1] + np.sqrt(1 - coefficient**2) * errors[i]
    position = truth.positions.copy()
    position[order] += errors * sd
    minutes = np.argsort(order).tolist()
    return replace(run, shots=replace(
        run.shots, position=position, covariance=np.tile(np.diag(sd**2), (len(order), 1, 1)),
        time=tuple(f"2031-05-04T{9 + m // 60:02d}:{m % 60:02d}:00" for m in minutes)))


@pytest.mark.parametrize("coefficient", [0.9, 0.7])
def test_wandering_errors_are_named(rig, coefficient):
    """A rover's errors that go together from shot to shot: found in ten of ten runs."""
    for seed in range(60, 70):
        told = correlation(solve(wandering(rig, seed, coefficient)))
        assert told.chance < 0.005 and told.timed
        assert told.coefficient == pytest.approx(coefficient, abs=0.35)


def test_what_is_said_of_a_fit_that_is_too_good(rig):
    """Correlated errors fit too well; nobody is told that the result is better than it says."""
    solution = solve(wandering(rig, 61, 0.9))
    judgement = judge(solution)
    gates = {gate.name: gate for gate in judgement.gates}
    assert not gates["correlation"].passed
    says = gate_says(gates["correlation"], judgement)
    assert "go together (correlation about 0." in says
    assert "initialise it anew" in says and "or use a total station" in says
    job = {"instrument": "Total station, 5 arcsec"}
    shot = replace(judgement, suspects=replace(
        judgement.suspects, solution=solve(wandering(replace(rig, job=job), 61, 0.9))))
    says = gate_says(gates["correlation"], shot)
    assert "sight a known point again" in says and "rover" not in says and "use a" not in says
    assert solution.adjustment.variance_factor < 1
    says = global_test_says(False, solution, judgement.correlation)
    assert "so are those of the result" not in says
    assert "or errors go together" in says and "The correlation from shot to shot" in says


def test_times_tell_the_order(rig):
    """Rows in any order: the times of the shots tell which came after which."""
    def shuffled(rng, count):
        return rng.permutation(count)

    run = wandering(rig, 71, 0.9, order=shuffled)
    assert correlation(solve(run)).chance < 0.005
    lost = replace(run, shots=replace(run.shots, time=(None,) * len(run.shots)))
    order, timed = order_of_shots(lost)
    assert not timed and np.all(np.diff(lost.shots.pose[order]) >= 0)


def test_stated_sds_that_are_too_large_condemn_no_run(rig):
    """Too good a fit is no fault where the errors of the shots do not go together."""
    run, _ = simulate(rig, np.random.default_rng(7), poses=20)
    large = replace(run, shots=replace(run.shots, covariance=run.shots.covariance * 4),
                    poses=replace(run.poses, sd=2 * run.poses.sd))
    judgement = judge(solve(large))
    gate = next(gate for gate in judgement.gates if gate.name == GLOBAL_TEST)
    assert judgement.suspects.solution.adjustment.variance_factor < 0.6
    assert gate.passed and "times better than their stated sds" in gate_says(gate, judgement)
    unseen = global_gate(judgement.suspects.solution, None)
    assert unseen.chance < 0.001  # nothing clears the shots: then it is held against the run


def test_sds_wrong_by_one_factor_are_no_correlation(rig):
    """All sds of shots, readings and tape three times too small: only the global test says so."""
    run, _ = simulate(rig, np.random.default_rng(5), poses=24)
    told = correlation(solve(run))
    small = replace(
        run, shots=replace(run.shots, covariance=run.shots.covariance / 9),
        poses=replace(run.poses, sd=run.poses.sd / 3), tape=replace(run.tape, sd=run.tape.sd / 3))
    again = correlation(solve(small))
    assert again.chance == pytest.approx(told.chance, rel=1e-3)
    assert again.coefficient == pytest.approx(told.coefficient, rel=1e-3)


@pytest.mark.parametrize("times", [2.0, 5.0])
def test_sds_that_are_wrong_are_said_by_kind(rig, times):
    """Of the shots alone: the sentence of the fit names them, as far as the run can tell."""
    run, _ = simulate(rig, np.random.default_rng(5), poses=24)
    judgement = judge(solve(replace(run, shots=replace(
        run.shots, covariance=run.shots.covariance / times**2))))
    gate = next(gate for gate in judgement.gates if gate.name == GLOBAL_TEST)
    told = [noise_says(kind) for kind in judgement.noise if kind.differs]
    said = gate_says(gate, judgement, judgement.noise)
    assert not gate.passed and "the sds are too small" in said
    assert said.endswith(" ".join(told)) and "shots are" in told[-1] and "noisier" in told[-1]


def test_poses_lend_their_times(rig):
    """Shots without times, poses with: their order, and within a pose that of the file."""
    run, _ = simulate(rig, np.random.default_rng(5), poses=4)
    late_first = tuple(f"2031-05-04T{12 - p:02d}:00:00" for p in range(4))
    order, timed = order_of_shots(replace(run, poses=replace(run.poses, time=late_first)))
    assert timed and order.tolist() == [6, 7, 4, 5, 2, 3, 0, 1]


@pytest.mark.slow
@pytest.mark.parametrize("sd", [ROVER, np.full(3, 0.002)])
def test_independent_errors_are_not_accused(rig, sd):
    """120 runs with one to three stands: chances are uniform."""
    chances = [correlation(solve(wandering(rig, 800 + seed, 0.0, sd, stands=1 + seed % 3))).chance
               for seed in range(120)]
    assert kstest(chances, "uniform").pvalue > 0.01
