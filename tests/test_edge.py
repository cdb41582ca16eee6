"""The edge over the envelope: sds, errors of a wrong set-up, shares."""

import numpy as np
import pytest

from calib.calibration import solve
from calib.chain.rig import rig_from_dict, rig_from_template
from calib.edge import Spread, envelope_edge, shares
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


def test_spread_is_worst_rms_and_95_per_cent():
    """Of lengths, whatever their shape; what is not finite is left out."""
    spread = Spread.of(np.array([[3.0, 4.0], [np.nan, 0.0]]))
    assert spread.worst == 4 and spread.rms == pytest.approx(np.sqrt(25 / 3))
    assert spread.p95 == pytest.approx(np.quantile([0, 3, 4], 0.95))
    nothing = Spread.of(np.full(3, np.nan))
    assert np.isnan([nothing.worst, nothing.rms, nothing.p95]).all()


def test_nodes_that_a_sensor_cannot_tell_are_not_seen():
    """A blind tilt sensor (axis upright), and a tilt beyond 90 deg that reads like one below."""
    rig = rig_from_template("tilt_rotator")
    names = rig.reading_names
    joints = np.zeros((3, len(names)))
    joints[:, names.index("boom")], joints[:, names.index("stick")] = 0.5, -1.0
    joints[:, names.index("coupler")] = 0.5
    joints[1, names.index("coupler")] += np.radians(88)
    joints[2, names.index("tilt")] = np.radians(120)
    nodes = envelope_edge(rig, rig.start, joints=joints)
    assert nodes.seen.tolist() == [True, False, False]
    posture = rig.chain.posture(rig.start, np.tile([0, 0, 0, np.pi / 2], (3, 1)), nodes.readings,
                                False)
    assert posture.blind.any(1).tolist() == [False, True, False]


def test_mean_square_form_is_the_mean_over_what_is_seen():
    """g' G g against the moves of every seen node and target."""
    rig = rig_from_template("tilt_rotator")
    nodes = envelope_edge(rig, rig.start)
    change = 1e-3 * np.random.default_rng(3).normal(size=len(rig.start))
    moves = (nodes.by_parameters @ change)[nodes.seen]
    assert change @ nodes.mean_square_form() @ change == pytest.approx(
        np.mean(np.sum(moves**2, axis=2)))


def test_another_rig_at_the_same_readings():
    """A rig whose tilt counts the other way, told by the readings of the first."""
    rig = rig_from_template("tilt_rotator")
    turned = rig_from_dict({"template": "tilt_rotator", "readings": {"direction": {"tilt": -1}}})
    nodes = envelope_edge(rig, rig.start)
    error = nodes.error(rig.start, turned)
    tilt = nodes.joints[:, rig.reading_names.index("tilt")]
    off = np.linalg.norm(error, axis=2).max(1)
    assert off[np.abs(tilt) < 1e-9].max() < 1e-9 < 0.5 < off[np.abs(tilt) > 0.5].min()
    np.testing.assert_array_equal(nodes.error(rig.start, rig), nodes.error(rig.start))
    with pytest.raises(ValueError, match="different readings"):
        nodes.error(rig.start, rig_from_template("plain_bucket"))
