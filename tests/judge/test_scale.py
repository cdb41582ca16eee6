"""One scale of all shots against the taped lengths."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import kstest

from calib.calibration import solve
from calib.judge.judgement import judge
from calib.judge.scale import survey_scale
from calib.report.judged import verdict_record
from calib.report.words.gate import gate_says
from calib.simulate import simulate


def scaled(run, factor):
    return replace(run, shots=replace(run.shots, position=factor * run.shots.position))


def test_a_wrong_scale_is_measured(rig):
    """Ten runs: what was planted comes out within its sds, whatever the place of the origin."""
    off = []
    for seed in range(10):
        run, _ = simulate(rig, np.random.default_rng(640 + seed), poses=20, stands=1 + seed % 2)
        away = replace(run, shots=replace(run.shots, position=run.shots.position + 300.0))
        told = survey_scale(solve(scaled(away, 1.004)))
        off.append((told.excess - 0.004) / told.sd)
    assert np.abs(np.mean(off)) < 4 / np.sqrt(10) and np.abs(off).max() < 4


def test_the_gate_names_it(rig):
    """A scale of 1.005: the run is not to be used, and it is said what would do that."""
    run, _ = simulate(rig, np.random.default_rng(650), poses=20)
    judgement = judge(solve(scaled(run, 1.005)))
    gate = next(g for g in judgement.gates if g.name == "survey scale")
    assert not gate.passed
    says = gate_says(gate, judgement)
    assert "differ in scale: lengths from the shots are +0." in says
    assert "scale factor" in says


def test_a_clean_run_says_what_would_pass_unseen(rig):
    """The least scale that the tape would show is in the sentence."""
    run, _ = simulate(rig, np.random.default_rng(651), poses=20)
    judgement = judge(solve(run))
    gate = next(g for g in judgement.gates if g.name == "survey scale")
    assert gate.passed and "would pass unseen" in gate_says(gate, judgement)


def test_without_tape_nothing_shows_it(rig):
    """No test is made, and the verdict says that no shot can show it."""
    run, _ = simulate(rig, np.random.default_rng(652), poses=20, taped=False)
    judgement = judge(solve(run))
    assert judgement.scale is None
    assert "survey scale" not in {gate.name for gate in judgement.gates}
    assert verdict_record(judgement).notes[-1].startswith("No shot can show a wrong scale")


@pytest.mark.slow
def test_chances_of_clean_runs_are_uniform(rig):
    """120 clean runs, taped: every chance as frequent as any other."""
    chances = [survey_scale(solve(simulate(rig, np.random.default_rng(8200 + seed), poses=16,
                                           stands=1 + seed % 2)[0])).chance
               for seed in range(120)]
    assert kstest(chances, "uniform").pvalue > 0.01


def test_many_shots_without_a_wrong_scale(rig):
    """The errors of six runs of a thousand poses do not add up to a scale."""
    scores = []
    for seed in range(6):
        found = survey_scale(solve(simulate(rig, np.random.default_rng(seed), poses=1000)[0]))
        scores.append(found.excess / found.sd)
    assert abs(np.sum(scores)) < 3 * np.sqrt(len(scores))
