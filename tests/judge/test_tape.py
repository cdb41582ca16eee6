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
