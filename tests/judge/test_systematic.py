"""Errors that shots or readings share: single values hide them, and so does setting these aside."""

import re
from dataclasses import replace

import numpy as np
import pytest

from calib.calibration import solve
from calib.judge import gates
from calib.judge.choice import solve_as_chosen
from calib.judge.explain import explain
from calib.judge.facts import HeldElsewhere
from calib.judge.judgement import judge
from calib.judge.systematic import systematic
from calib.report.words.gate import gate_says
from calib.report.words.mistake import mistake_says
from calib.simulate import simulate
from tests.judge.faults import Fault, bad_shots, field_run


def crept(f):
    """The stick's sensor warms up: half a degree from the first pose to the last."""
    f.readings[:, f.column("stick")] += np.radians(0.5) * np.linspace(0, 1, f.n)
    return r"reading stick creeps by \+0.[3-7]"


def slack(f):
    """The boom shows a third of a degree more after rising than after sinking."""
    column = f.readings[:, f.column("boom")]
    column += np.radians(0.3) / 2 * np.sign(np.diff(column, prepend=column[0] - 1))
    return "reading boom shows 0.[2-4]. deg more when its joint came up"


def tilted(f):
    """The instrument is out of level by half a degree."""
    f.position[:, 2] += np.radians(0.5) * (f.position[:, 0] - 5.0)
    return "not level: all shots are tilted by 0.[3-7]"


def jumped(f):
    """The stick's sensor slips by 0.6 deg after two thirds of the poses."""
    f.readings[9:, f.column("stick")] -= np.radians(0.6)
    return "zero of the reading stick shifted by -0.[5-7]. deg between poses"


def spoilt(fault, seed, poses=16, **options):
    """A run with a fault, and what names it."""
    rng = np.random.default_rng(seed)
    run, truth = field_run(rng, poses=poses, **options)
    f = Fault(run, truth, rng)
    pattern = fault(f)
    return f.done(), pattern


@pytest.mark.parametrize("fault", [crept, slack, tilted, jumped], ids=lambda f: f.__name__)
def test_a_shared_error_is_found_and_named(fault):
    """By one test of one number, with the strongest named."""
    run, pattern = spoilt(fault, 4, stands=2)
    found = systematic(solve(run))
    assert found.chance < 0.002
    assert re.search(pattern, mistake_says(found.fact)), mistake_says(found.fact)


def test_a_held_zero_that_is_another_does_not_pass(rig):
    """The house's roll sensor sits 0.3 deg askew, and its zero is held at nothing."""
    rng = np.random.default_rng(3)
    run, _ = simulate(rig, rng, poses=16)
    readings = run.poses.readings.copy()
    readings[:, 1] += np.radians(0.3)
    found = systematic(solve(replace(run, poses=replace(run.poses, readings=readings))))
    assert found.chance < 0.001
    assert "The house roll zero is held, and the shots put it -0.3" in mistake_says(found.fact)


@pytest.mark.parametrize("fault", [jumped, crept], ids=lambda f: f.__name__)
def test_setting_aside_is_no_cure_for_a_shared_error(fault):
    """The suspects are readings behind a jump: without them the run fits, and does not pass."""
    run, _ = spoilt(fault, 10)
    chosen = solve_as_chosen(run, "suspects")
    judgement = judge(chosen.solution, out=chosen.out, instead=chosen.instead)
    assert chosen.aside.names and not judgement.passed
    gate = next(g for g in judgement.gates if g.name == gates.SYSTEMATIC)
    assert not gate.passed and "As well explained by" in gate_says(gate, judgement)
    assert chosen.instead.moves > judgement.edge.within95


def test_taped_values_set_aside_may_be_a_scale():
    """All lengths of the survey 1 % too large: the taped lengths are not at fault one by one."""
    run, _ = spoilt(lambda f: f.position.__imul__(1.01), 2)
    chosen = solve_as_chosen(run, "suspects")
    assert any(name.startswith("tape:") for name in chosen.aside.names)
    assert "share a scale of 1.0" in mistake_says(chosen.instead.fact)
    assert not judge(chosen.solution, out=chosen.out, instead=chosen.instead).passed


@pytest.mark.parametrize("seed", [1, 2])
def test_slips_set_aside_pass(seed):
    """Three wrong shots: nothing that values share explains them, and the rest passes."""
    run, _ = spoilt(bad_shots, seed)
    chosen = solve_as_chosen(run, "suspects")
    assert len(chosen.aside.names) >= 3 and chosen.instead is None
    assert judge(chosen.solution, out=chosen.out, instead=chosen.instead).passed


def test_a_corner_called_the_middle_does_not_pass():
    """Nothing taped: the bucket comes out twice as wide, and the shots fit it as well."""
    def called(f):
        names = f.run.rig.target_names
        f.target[f.target == names.index("edge_left")] = names.index("edge_mid")

    run, _ = spoilt(called, 5, taped=False)
    found = judge(solve(run)).plausible
    assert {w.machine.relabelling.names for w in found.untold} == {("edge_left", "edge_mid")}


@pytest.mark.slow
def test_the_chances_of_clean_runs_are_uniform(rig):
    """150 clean runs of all sizes: below 5 % in 5 % of them, below 20 % in 20 %."""
    chances = []
    for seed in range(150):
        rng = np.random.default_rng(5200 + seed)
        run, _ = simulate(rig, rng, poses=int(rng.integers(8, 30)), stands=int(rng.integers(1, 3)),
                          taped=bool(rng.random() < 0.75))
        chances.append(systematic(solve(run)).chance)
    for level in (0.05, 0.2, 0.5):
        expected, sd = 150 * level, np.sqrt(150 * level * (1 - level))
        assert abs(np.sum(np.array(chances) < level) - expected) < 3 * sd


def test_a_held_zero_is_named_by_diagnose(rig):
    """Not as a column in gon: of a house that hardly moves another unit is another zero."""
    run, _ = simulate(rig, np.random.default_rng(3), poses=16)
    readings = run.poses.readings.copy()
    readings[:, 1] += np.radians(0.3)
    found = explain(replace(run, poses=replace(run.poses, readings=readings)))
    facts = [r.mistake.fact for r in (found.claimed, *found.rivals)]
    held = next(fact for fact in facts if isinstance(fact, HeldElsewhere))
    assert held.parameter == "house_roll_zero"
    assert np.degrees(held.by) == pytest.approx(-0.3, abs=0.06)
