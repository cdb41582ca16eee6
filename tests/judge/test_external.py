"""Undetected errors at the edge, against solving with the error in."""

from dataclasses import replace

import numpy as np
import pytest

from calib.adjust.reliability import reliability
from calib.calibration import solve
from calib.edge import envelope_edge
from calib.judge.external import external_reliability
from calib.simulate import simulate


@pytest.fixture(scope="module")
def solution(rig):
    return solve(simulate(rig, np.random.default_rng(1), poses=16)[0])


def edge_move(solution, changed):
    """Largest move of the edge over the envelope between two solutions, m."""
    nodes = envelope_edge(solution.rig, solution.parameters)
    moves = np.linalg.norm(nodes.error(solve(changed).parameters), axis=2)
    return moves[nodes.seen].max()


def test_a_shot_off_by_its_detectable_bias_moves_the_edge_as_said(solution):
    """Solving again with the bias in moves the edge by the stated amount within 5 %."""
    checks = reliability(solution.adjustment)
    said = external_reliability(solution, checks).shots
    run, mdb = solution.run, checks.observations.mdb.reshape(-1, 3)
    for i in (0, 13, 20):
        moved = []
        for axis in range(3):
            position = run.shots.position.copy()
            position[i, axis] += mdb[i, axis]
            moved.append(edge_move(solution, replace(
                run, shots=replace(run.shots, position=position))))
        assert max(moved) == pytest.approx(said[i], rel=0.05)


def test_a_reading_and_a_taped_value_likewise(solution):
    """The same for a stick reading and for the taped boom length."""
    checks = reliability(solution.adjustment)
    said = external_reliability(solution, checks)
    run = solution.run
    readings = run.poses.readings.copy()
    readings[5, 3] += checks.readings.mdb[5, 3]
    moved = edge_move(solution, replace(run, poses=replace(run.poses, readings=readings)))
    assert moved == pytest.approx(said.readings[5, 3], rel=0.1)
    value = run.tape.value.copy()
    row = run.tape.quantities.index("boom_length")
    prior = solution.adjustment.prior.names.index("boom_length")
    value[row] += checks.priors.mdb[prior]
    moved = edge_move(solution, replace(run, tape=replace(run.tape, value=value)))
    assert moved == pytest.approx(said.taped[prior], rel=0.1)


def test_readings_of_a_pose_without_shots_do_nothing(solution):
    """Nothing checks them, but the edge does not depend on them either: 0, not infinite."""
    run = solution.run
    fewer = solve(replace(run, shots=run.shots.select(run.shots.pose != 4)))
    said = external_reliability(fewer, reliability(fewer.adjustment))
    assert (said.readings[4] == 0).all()
    assert (said.readings[3] > 0).all()
    assert np.isfinite(said.shots).all()
