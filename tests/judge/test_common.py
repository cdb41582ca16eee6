"""What two results have in common correlates them: sds of their differences, by simulation."""

from dataclasses import replace

import numpy as np
import pytest

from calib.calibration import solve
from calib.judge.common import difference, difference_covariance
from calib.judge.survey import Survey
from calib.machine import machine_of
from calib.report.pages.comparison import Side, comparison
from calib.report.words.model import in_common_says
from calib.simulate import drawn_parameters, simulate
from calib.together.earlier import with_machine


def survey_of(run, name) -> Survey:
    """A run solved, as its result of that name tells it."""
    solution = solve(run)
    return Survey(
        rig=run.rig, parameters=solution.parameters, covariance=solution.covariance,
        estimated=tuple(p.name for p in run.rig.parameters if not p.held), tape=run.tape,
        chi2=solution.adjustment.chi2, dof=solution.adjustment.dof, identity=f"shots of {name}",
        machine=run.machine, sha256=name)


def visits(rig, seed, names, poses=8):
    """Runs of one machine with one tape, by name."""
    rng = np.random.default_rng(seed)
    truth = drawn_parameters(rig, rng)
    runs = [simulate(rig, rng, poses=poses, parameters=truth)[0] for _ in names]
    return {name: replace(run, tape=runs[0].tape)
            for name, run in zip(names, runs, strict=True)}


def known(run, survey):
    return with_machine(run, survey, survey.sha256, survey.sha256)


def pulls(first, second, names):
    """Differences in their sds, and what they would be without any correlation."""
    sd = np.sqrt(np.diag(difference_covariance(first, second, names)))
    index = first.index(names)
    apart = np.sqrt(np.diag(first.covariance)[index] + np.diag(second.covariance)[index])
    off = difference(first, second, names)
    return off / sd, off / apart


@pytest.mark.slow
def test_differences_have_their_sds(rig):
    """One result in the other, through a third, from one earlier, through tape: sd of 1 all."""
    names = [p.name for p in rig.parameters if not p.held]
    seen = {}
    for seed in range(60):
        runs = visits(rig, [8, seed], "abcd")
        a = survey_of(runs["a"], "a")
        b = survey_of(known(runs["b"], a), "b")
        c = survey_of(known(runs["c"], b), "c")
        sibling, alone = survey_of(known(runs["d"], a), "d"), survey_of(runs["d"], "d")
        for kind, pair in {"in it": (a, b), "before": (b, a), "chain": (a, c),
                           "siblings": (b, sibling), "tape": (b, alone)}.items():
            seen.setdefault(kind, []).append(pulls(*pair, names))
    for kind, found in seen.items():
        right, apart = np.sqrt(np.mean(np.square(found), axis=(0, 2)))
        # 60 machines, some five combinations of the parameters each that go their own way.
        assert right == pytest.approx(1.0, abs=0.12), kind
        if kind in ("in it", "before", "chain"):
            assert apart < 0.85, kind


@pytest.fixture(scope="module")
def pair(rig):
    """A result, a later one that rests on it, and a third day's run."""
    runs = visits(rig, 5, "abc")
    a = survey_of(runs["a"], "a")
    return a, survey_of(known(runs["b"], a), "b"), runs["c"]


def test_of_what_was_known_the_difference_is_what_is_new(pair):
    """cov(b - a) = Ca - Cb, also the other way round."""
    a, b, _ = pair
    names = list(b.machine.names)
    i, j = a.index(names), b.index(names)
    expected = a.covariance[np.ix_(i, i)] - b.covariance[np.ix_(j, j)]
    scale = np.outer(*[np.sqrt(np.diag(a.covariance)[i])] * 2)
    for found in (difference_covariance(a, b, names), difference_covariance(b, a, names)):
        # What was taped and depends on the edge too is in both by itself.
        np.testing.assert_allclose(found / scale, expected / scale, atol=0.05)


def test_nothing_new_is_not_tested(pair):
    """A second result that only repeats the first has no sd to be tested with."""
    a, b, _ = pair
    again = replace(a, machine=replace(b.machine, sha256="a"), sha256="again", identity="others")
    assert not difference_covariance(a, again, ["boom_length", "boom_zero"]).any()


def test_a_row_of_tape_counts_once_in_a_chain(pair):
    """What was left out since it took part in the first result stays out in the third."""
    a, b, run = pair
    third = known(run, b)
    assert set(b.machine.tape.quantities) <= set(third.machine.tape.quantities)
    assert "boom_length" in a.tape.quantities
    assert "boom_length" not in b.tape.quantities + third.tape.quantities
    assert third.machine.sha256 == "b" and third.machine.before == ("a",)
    assert third.machine.shots == ("shots of b", "shots of a")


def test_what_cannot_be_known_is_said(pair):
    """Another solution of the older run, or two of one adjustment: no quantity is tested."""
    a, b, _ = pair
    other = replace(a, sha256="a solved again")
    unknown = replace(b, machine=replace(b.machine, sha256="", shots=()))
    for older in (other, replace(other, machine=unknown.machine)):
        assert difference_covariance(older, b, ["boom_length"]) is None
        assert "no sd of its own" in in_common_says(older, b, "the first", "the second")[0]
    document = comparison(Side("a", survey=other), Side("b", survey=b))
    assert document.together is None and all(r.z is None for r in document.rows)
    assert document.edge.worst_sd is None
    assert any("went into" in note for note in comparison(
        Side("a", survey=a), Side("b", survey=b)).notes)


def test_shared_known_points_are_said(pair):
    """Their errors are in both results."""
    a, b, _ = (replace(s, known_points=(("P1", 1.0, 2.0, 3.0),)) if isinstance(s, Survey) else s
               for s in pair)
    assert any("known points P1" in said for said in in_common_says(a, b, "one", "the other"))


def test_a_machine_that_is_none_for_this_rig(pair):
    """Parameters that a result holds cannot be what it told another."""
    a, b, _ = pair
    odd = machine_of(("tilt_axis_side",), np.zeros(1), np.eye(1), "a", "a")
    assert difference_covariance(a, replace(b, machine=odd), ["boom_length"]) is None
