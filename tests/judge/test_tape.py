"""The tape against the shots."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import kstest

from calib.calibration import solve
from calib.judge.tape import tape_test
from calib.run.records import Tape
from calib.simulate import simulate


def _without(tape, row):
    keep = [i for i in range(len(tape.quantities)) if i != row]
    return Tape(tuple(tape.quantities[i] for i in keep), tape.value[keep], tape.sd[keep],
                tuple(tape.unit[i] for i in keep), tuple(tape.line[i] for i in keep))


@pytest.mark.parametrize("quantity", ["boom_length", "coupler_zero", "edge_width"])
def test_leaving_a_row_out_needs_no_second_solve(rig, quantity):
    """The closed form gives what a solution without that taped value gives."""
    run, _ = simulate(rig, np.random.default_rng(3), poses=16)
    solution = solve(run)
    test = tape_test(rig, solution.parameters, solution.covariance, run.tape)
    row = run.tape.quantities.index(quantity)
    again = solve(replace(run, tape=_without(run.tape, row)))
    column = rig.parameter_names.index(quantity)
    sd = np.sqrt(again.covariance[column, column])
    # The model is a little nonlinear: agree to 2 % of an sd, and in the sd to 1 %.
    assert test.without[row] == pytest.approx(again.parameters[column], abs=0.02 * sd)
    assert test.without_sd[row] == pytest.approx(sd, rel=0.01)
    independent = (again.parameters[column] - run.tape.value[row]) / np.hypot(
        sd, run.tape.sd[row])
    assert test.z[row] == pytest.approx(independent, abs=0.03)


def test_z_of_good_tapes_is_standard_normal(rig):
    """Over simulated runs, the test values of good tapes follow the normal distribution."""
    z, joint = [], []
    for seed in range(40):
        run, _ = simulate(rig, np.random.default_rng(500 + seed), poses=12)
        solution = solve(run)
        test = tape_test(rig, solution.parameters, solution.covariance, run.tape)
        z.append(test.z)
        joint.append(test.joint / test.dof)
    assert kstest(np.ravel(z), "norm").pvalue > 0.001
    assert np.mean(joint) == pytest.approx(1, abs=4 * np.sqrt(2 / test.dof / 40))


def test_a_tape_that_took_no_part_adds_its_variance(rig):
    """For a tape that was not used, the variances of tape and solution add up."""
    run, _ = simulate(rig, np.random.default_rng(3), poses=16)
    solution = solve(run)
    test = tape_test(rig, solution.parameters, solution.covariance, run.tape, used=False)
    columns = [rig.parameter_names.index(q) for q in run.tape.quantities]
    sd = np.sqrt(np.diag(solution.covariance))[columns]
    np.testing.assert_allclose(test.difference_sd, np.hypot(sd, run.tape.sd))
    np.testing.assert_allclose(test.without, test.solved, rtol=1e-12)


def test_a_wrong_tape_is_significant(rig):
    """A boom taped 10 sds too long stands out, and so does the tape as a whole."""
    run, _ = simulate(rig, np.random.default_rng(3), poses=24)
    value = run.tape.value.copy()
    row = run.tape.quantities.index("boom_length")
    value[row] += 10 * run.tape.sd[row]
    run = replace(run, tape=replace(run.tape, value=value))
    solution = solve(run)
    test = tape_test(rig, solution.parameters, solution.covariance, run.tape)
    assert test.significant[row]
    assert test.joint > test.joint_limit


def test_levels_are_the_stated_ones(rig):
    """1 % two-sided for one value, 1 % for all together (table values of normal and chi-square)."""
    run, _ = simulate(rig, np.random.default_rng(3), poses=16)
    solution = solve(run)
    test = tape_test(rig, solution.parameters, solution.covariance, run.tape)
    assert test.limit == pytest.approx(2.5758, abs=5e-5)
    assert test.dof == 15 and test.joint_limit == pytest.approx(30.578, abs=5e-4)


def test_rows_together_are_those_left_out_one_by_one(rig):
    """One row alone: the joint test is the square of its z, used or not."""
    run, _ = simulate(rig, np.random.default_rng(5), poses=16)
    solution = solve(run)
    one = Tape(run.tape.quantities[:1], run.tape.value[:1], run.tape.sd[:1], run.tape.unit[:1],
               run.tape.line[:1])
    for used in (True, False):
        test = tape_test(rig, solution.parameters, solution.covariance, one, used)
        assert test.dof == 1 and test.joint == pytest.approx(test.z[0] ** 2)


def test_held_values_and_angles_a_turn_away(rig):
    """A held quantity is not tested; 360.3 deg on the tape is 0.3 deg."""
    run, _ = simulate(rig, np.random.default_rng(5), poses=16)
    solution = solve(run)
    degrees = {}
    for turn in (0.0, 360.0, -360.0):
        tape = Tape(("rotate_zero", "tilt_axis_side"), np.array([np.radians(0.3 + turn), 0.01]),
                    np.array([np.radians(0.6), 0.004]), ("deg", "m"), (2, 3))
        test = tape_test(rig, solution.parameters, solution.covariance, tape, used=False)
        degrees[turn] = test.z[0]
        assert np.isnan(test.z[1]) and test.dof == 1 and not test.used.any()
    assert degrees[0.0] == pytest.approx(degrees[360.0]) == pytest.approx(degrees[-360.0])
