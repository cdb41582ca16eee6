"""What is set aside must be a few slips: else what is left was chosen by the fit."""

from dataclasses import replace

import numpy as np
import pytest

from calib.judge.choice import solve_as_chosen
from calib.judge.gates import LEFT, Share, left_gate
from calib.judge.judgement import judge
from calib.report.words.gate import gate_says
from calib.simulate import simulate


def _with_tilt_off(rig, count):
    """Twelve poses, of which the tilt is read several degrees off in so many."""
    rng = np.random.default_rng(8100 + count)
    run, _ = simulate(rig, rng, poses=12)
    readings = run.poses.readings.copy()
    readings[rng.choice(12, count, replace=False), rig.reading_names.index("tilt")] += np.radians(
        rng.uniform(2, 8, count))
    return replace(run, poses=replace(run.poses, readings=readings))


@pytest.mark.parametrize("count, passed", [(2, True), (5, False)])
def test_a_sensor_that_is_set_aside_in_many_poses_is_not_passed(rig, count, passed):
    chosen = solve_as_chosen(_with_tilt_off(rig, count), "suspects")
    judgement = judge(chosen.solution, out=chosen.out)

    gate = next(g for g in judgement.gates if g.name == LEFT)
    assert chosen.out == (Share("tilt", count, 12),)
    assert gate.passed == judgement.passed == passed
    says = gate_says(gate, judgement)
    assert f"{count} of 12 readings of tilt" in says
    assert ("more than slips" in says) == (not passed)


def test_so_many_suspects_are_not_called_slips(rig):
    solution = solve_as_chosen(_with_tilt_off(rig, 5)).solution
    judgement = judge(solution)

    gate = next(g for g in judgement.gates if g.name == "suspects")
    assert not gate.passed and "5 of 12 readings of tilt are more than slips" in gate_says(
        gate, judgement)


@pytest.mark.parametrize("out, of, passed", [(2, 4, True), (3, 12, True), (4, 12, False),
                                             (17, 70, True), (18, 70, False)])
def test_a_quarter_may_be_out_and_two_always(out, of, passed):
    assert left_gate((Share(None, out, of),)).passed == passed
