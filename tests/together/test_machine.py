"""A new attachment on a known machine: its earlier result as the prior."""

from dataclasses import replace

import numpy as np
import pytest

from calib.adjust.spectrum import NotDetermined
from calib.calibration import solve
from calib.judge.judgement import judge
from calib.judge.survey import Survey
from calib.machine import about, machine_of
from calib.run.records import Tape
from calib.simulate import drawn_parameters, simulate
from calib.together.earlier import with_machine
from calib.together.joint import NotTogether


def survey_of(solution):
    return Survey(
        rig=solution.rig, parameters=solution.parameters, covariance=solution.covariance,
        estimated=tuple(p.name for p in solution.rig.parameters if not p.held),
        tape=solution.run.tape, chi2=solution.adjustment.chi2, dof=solution.adjustment.dof,
        identity="earlier")


def bucket(rig, seed, poses, **more):
    """An earlier result, and a run with few poses of a new edge, nothing taped; its truth."""
    rng = np.random.default_rng(seed)
    base = drawn_parameters(rig, rng)
    new = base.copy()
    edge = [i for i, name in enumerate(rig.parameter_names) if name.startswith("edge")]
    new[edge] = drawn_parameters(rig, rng)[edge]
    earlier, _ = simulate(rig, rng, poses=30, stands=2, parameters=base)
    run, _ = simulate(rig, rng, poses=poses, parameters=new, taped=False, **more)
    return survey_of(solve(earlier)), run, new, edge


def test_four_poses_tell_a_new_edge(rig):
    """Without the machine four poses determine nothing; with it the edge is told, as stated."""
    pulls = []
    for seed in range(10):
        survey, run, truth, edge = bucket(rig, seed, 4)
        with pytest.raises(NotDetermined):
            solve(run)
        found = solve(with_machine(run, survey, "earlier"))
        sd = np.sqrt(np.diag(found.covariance))[edge]
        assert (sd < [0.012, 0.03, 0.004, 0.01, np.radians(0.2)]).all()
        pulls.append((found.parameters - truth)[edge] / sd)
    assert np.mean(np.square(pulls)) == pytest.approx(1.0, abs=0.6)


def test_is_the_adjustment_of_both(rig):
    """The same as both runs in one go: the prior carries the whole covariance, not its diagonal."""
    from calib.together.adjusted import solve_together
    from calib.together.scopes import Visit

    rng = np.random.default_rng(3)
    base = drawn_parameters(rig, rng)
    earlier, _ = simulate(rig, rng, poses=30, stands=2, parameters=base)
    run, _ = simulate(rig, rng, poses=5, parameters=base, taped=False)
    survey = survey_of(solve(earlier))
    found = solve(with_machine(run, survey, "earlier"))
    both = solve_together([earlier, run], [Visit("old", "a", "1"), Visit("new", "b", "2")])
    columns, free = both.joint.machine_columns(1), ~rig.held
    sd = both.adjustment.sd[columns][free]
    off = (found.parameters - both.parameters[columns])[free]
    assert np.abs(off / sd).max() < 0.1  # the earlier result is not linearised again
    np.testing.assert_allclose(np.sqrt(np.diag(found.covariance))[free], sd, rtol=0.02)
    diagonal = replace(survey, covariance=np.diag(np.diag(survey.covariance)))
    worse = solve(with_machine(run, diagonal, "earlier"))
    apart = np.abs(correlations(worse, free) - correlations(found, free))
    assert np.abs(correlations(found, free) - correlations_of(both, columns[free])).max() < 0.02
    assert apart.max() > 0.3


def correlations(solution, free):
    covariance = solution.covariance[np.ix_(free, free)]
    sd = np.sqrt(np.diag(covariance))
    return covariance / np.outer(sd, sd)


def correlations_of(together, columns):
    covariance = together.covariance[np.ix_(columns, columns)]
    sd = np.sqrt(np.diag(covariance))
    return covariance / np.outer(sd, sd)


def test_judged_like_any_run(rig):
    """Suspects and hold-out work on it; a blunder in five poses is found."""
    survey, run, _, _ = bucket(rig, 12, 5)
    position = run.shots.position.copy()
    position[3] += [0.05, 0.0, 0.05]
    run = replace(run, shots=replace(run.shots, position=position))
    judged = judge(solve(with_machine(run, survey, "earlier")))
    assert run.shots.ids[3] in judged.suspects.aside.names or any(
        s.pose == run.shots.pose[3] for s in judged.suspects.found)


def test_a_tape_that_is_in_the_result_is_left_out(rig):
    """Another tape stays."""
    survey, run, _, _ = bucket(rig, 2, 5)
    row = survey.tape.quantities.index("boom_length")
    tape = Tape(("boom_length", "edge_reach"), np.array([survey.tape.value[row], 0.6]),
                np.array([survey.tape.sd[row], 0.01]), ("m", "m"), (2, 3))
    known = with_machine(replace(run, tape=tape), survey, "earlier")
    assert known.tape.quantities == ("edge_reach",)
    other = with_machine(replace(run, tape=replace(tape, value=tape.value + 0.001)), survey, "e")
    assert other.tape.quantities == ("boom_length", "edge_reach")


def test_another_machine_is_refused(rig):
    """Held there and estimated here; or of these very shots."""
    survey, run, _, _ = bucket(rig, 2, 5)
    there = replace(survey, estimated=tuple(n for n in survey.estimated if n != "tilt_zero"))
    with pytest.raises(NotTogether, match=r"tilt_zero estimated.*held as in the result"):
        with_machine(run, there, "earlier")
    with pytest.raises(NotTogether, match="these very shots"):
        with_machine(replace(run, files={"shots.csv": "earlier"}), survey, "earlier")


def test_about_some_is_their_marginal():
    """Leaving parameters free is leaving their rows out of the covariance."""
    rng = np.random.default_rng(1)
    root = rng.normal(size=(5, 5))
    covariance = root @ root.T
    machine = machine_of(("a", "b", "c", "d", "e"), np.arange(5.0), covariance, "")
    some = about(machine, {"b", "d"})
    assert some.names == ("b", "d") and some.value.tolist() == [1.0, 3.0]
    np.testing.assert_allclose(np.linalg.inv(some.root.T @ some.root),
                               covariance[np.ix_([1, 3], [1, 3])], rtol=1e-9)
