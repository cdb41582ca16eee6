"""The edge over the envelope: sds, errors of a wrong set-up, shares."""

import numpy as np
import pytest

from calib.calibration import solve
from calib.chain.rig import rig_from_dict, rig_from_template
from calib.edge import envelope_edge, shares
from calib.simulate import simulate
from tests.conftest import STANDARD


def test_definition_makes_the_same_rig():
    """A rig's definition, kept in result.json, gives the same parameters, chain and envelope."""
    rig = rig_from_dict({**STANDARD, "free": ["tilt_axis_side"], "values": {"edge_drop": 1.2}})
    again = rig_from_dict(rig.definition)
    assert again.parameters == rig.parameters
    assert again.readings == rig.readings
    assert again.chain.motions == rig.chain.motions
    np.testing.assert_array_equal(again.shot_sd, rig.shot_sd)
    np.testing.assert_array_equal(again.envelope_joints()[0], rig.envelope_joints()[0])


def test_error_agrees_with_first_order():
    """A small change of every parameter moves the edge as the Jacobian says."""
    rig = rig_from_template("tilt_rotator")
    rng = np.random.default_rng(4)
    nodes = envelope_edge(rig, rig.start + rng.normal(0, 0.01, len(rig.start)))
    step = 1e-6 * rng.normal(size=len(rig.start))
    moved = nodes.error(nodes.parameters + step)
    first_order = nodes.by_parameters @ step
    np.testing.assert_allclose(moved, first_order, atol=1e-10)
    assert np.abs(first_order).max() > 1e-7


def test_shares_sum_to_one_and_name_the_culprit():
    """The only wrong parameter has the whole share, and its rms alone is the rms of the error."""
    rig = rig_from_template("tilt_rotator")
    nodes = envelope_edge(rig, rig.start)
    wrong = rig.start.copy()
    wrong[rig.parameter_names.index("stick_length")] += 0.01
    found = shares(nodes, wrong)
    assert found.share.sum() == pytest.approx(1)
    assert found.share[rig.parameter_names.index("stick_length")] == pytest.approx(1)
    # A link longer by 10 mm carries everything beyond it 10 mm, whatever the posture.
    assert found.alone.max() == pytest.approx(0.01)


@pytest.mark.slow
def test_predicted_sd_is_the_scatter_over_simulated_runs():
    """Over 300 simulated runs of one plan the edge scatters as predicted, within 10 %."""
    rig = rig_from_dict(STANDARD)
    truth = simulate(rig, np.random.default_rng(8), poses=16)[1]
    joints = rig.chain.posture(
        truth.parameters, truth.placements[np.zeros(16, int)], truth.readings, False
    ).joints
    exact = envelope_edge(rig, truth.parameters)
    errors, predicted = [], []
    for seed in range(300):
        run, _ = simulate(rig, np.random.default_rng(1000 + seed), poses=16,
                          parameters=truth.parameters, joints=joints)
        solution = solve(run)
        # Where the true machine's edge would be shown, with its own readings.
        errors.append(exact.error(solution.parameters))
        if seed % 50 == 0:
            predicted.append(envelope_edge(rig, solution.parameters).sd(solution.covariance))
    scatter = np.sqrt(np.mean(np.sum(np.square(errors), axis=3), axis=0))
    ratio = scatter / np.mean(predicted, axis=0)
    assert np.sqrt(np.mean(ratio**2)) == pytest.approx(1, abs=0.05)
    # Each node on its own: 300 runs tell an sd to about 4 % in one direction.
    assert np.abs(ratio - 1).max() < 0.10
