"""Check shots: their joint covariance, what they are off by in common, the tolerance."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import kstest

from calib.calibration import solve
from calib.chain.rig import rig_from_dict
from calib.foretold import foretold
from calib.judge.judgement import judge
from calib.judge.shot_checks import Origin, check_shots, common_offset, tolerance_for
from calib.report.words.gate import gate_says
from calib.simulate import simulate
from tests.conftest import STANDARD


def test_the_joint_covariance_has_the_single_ones_on_its_diagonal(rig):
    """Three by three per shot; shots of one pose share more than shots of two."""
    run, _ = simulate(rig, np.random.default_rng(1), poses=16, check_poses=3)
    solution = solve(run)
    joint = foretold(solution, run.check).joint
    single = check_shots(solution, run.check).covariances
    blocks = joint.reshape(6, 3, 6, 3)
    for i in range(6):
        assert blocks[i, :, i] == pytest.approx(single[i], rel=1e-9)
    assert np.linalg.norm(blocks[0, :, 1]) > 2 * np.linalg.norm(blocks[0, :, 2])


@pytest.mark.slow
def test_misses_scatter_as_the_joint_covariance_says(rig):
    """300 runs, one check shot in a pose of which the other corner took part.

    The pose's readings are in the prediction and in the calibration: the squared misses over the
    covariance are chi-square, on average as many as there are coordinates.
    """
    statistics, chances = [], []
    for seed in range(300):
        run, _ = simulate(rig, np.random.default_rng(2600 + seed), poses=10)
        mask = np.arange(len(run.shots)) == 4
        kept = replace(run, shots=run.shots.select(~mask))
        checked = check_shots(solve(kept), run.shots.select(mask))
        statistics.append(checked.statistics[0])
        chances.append(common_offset(solve(kept), checked).chance)
    assert np.mean(statistics) == pytest.approx(3, abs=4 * np.sqrt(6 / 300))
    assert kstest(chances, "uniform").pvalue > 0.01


def test_a_common_offset_is_found_within_the_tolerance(rig):
    """Twelve check shots all 15 mm too low: each within 30 mm, together beyond chance."""
    run, _ = simulate(rig, np.random.default_rng(33), poses=24, check_poses=6)
    low = replace(run, check=replace(run.check, position=run.check.position - [0, 0, 0.015]))
    judgement = judge(solve(low))
    gates = {gate.name: gate for gate in judgement.gates}
    assert gates["check shots"].passed
    assert not gates["check-shot offset"].passed
    assert "all off by one vector" in gate_says(gates["check-shot offset"], judgement)
    mean = common_offset(solve(low), check_shots(solve(low), low.check)).mean
    was = common_offset(solve(run), check_shots(solve(run), run.check)).mean
    assert mean - was == pytest.approx([0, 0, -0.015], abs=1e-9)


@pytest.mark.slow
def test_chances_of_clean_check_shots_are_uniform(rig):
    """300 clean runs with two to six check shots."""
    chances = []
    for seed in range(300):
        run, _ = simulate(rig, np.random.default_rng(51_000 + seed), poses=14,
                          check_poses=1 + seed % 3)
        solution = solve(run)
        chances.append(common_offset(solution, check_shots(solution, run.check)).chance)
    assert kstest(chances, "uniform").pvalue > 0.01


def test_the_tolerance_is_stated_or_of_the_rig_or_customary(rig):
    """The user's word first, then rig.toml, then 30 mm."""
    own = rig_from_dict({**STANDARD, "check": {"tolerance": "2 cm"}})
    assert tolerance_for(own, 0.011) == (0.011, Origin.USER)
    assert tolerance_for(own) == (0.02, Origin.RIG)
    assert tolerance_for(rig) == (0.03, Origin.PRACTICE)
    asked = rig_from_dict({**STANDARD, "goal": {"edge": "15 mm"}})
    assert tolerance_for(asked, noise95=0.008) == (pytest.approx(0.017), Origin.GOAL)
    assert tolerance_for(asked, 0.011, 0.008) == (0.011, Origin.USER)
    run, _ = simulate(rig, np.random.default_rng(33), poses=16, check_poses=2)
    assert judge(solve(replace(run, rig=own))).check.tolerance == 0.02
    judgement = judge(solve(run), 0.0005)
    gate = next(g for g in judgement.gates if g.name == "check shots")
    assert not gate.passed
    assert "asks for more than these shots can show" in gate_says(gate, judgement)
