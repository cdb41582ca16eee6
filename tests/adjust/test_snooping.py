"""Snooping on small problems with planted errors."""

from dataclasses import replace

import numpy as np
import pytest

from calib.adjust.critical import equal_power_level
from calib.adjust.mixed_model import NotConverged, adjust
from calib.adjust.observations import Observations, Prediction, Prior
from calib.adjust.reliability import Candidate
from calib.adjust.robust import reweight
from calib.adjust.snooping import Stopped, judge, set_aside, snoop
from calib.adjust.unknown_errors import error_test
from tests.adjust.priors import prior_on

BLOCKS, PER_BLOCK, SD = 12, 4, 0.02


def problem(seed, rows=None, reading=None):
    """A quadratic seen through one reading per block, with planted errors (in sds)."""
    rng = np.random.default_rng(seed)
    block = np.repeat(np.arange(BLOCKS), PER_BLOCK)
    truth = rng.uniform(-1, 1, (BLOCKS, 1))
    slope = rng.uniform(0.5, 2, len(block))
    readings = truth + SD * rng.normal(size=truth.shape)
    y = 1 + slope * truth[block, 0] + truth[block, 0] ** 2 + SD * rng.normal(size=len(block))
    for row, size in (rows or {}).items():
        y[row] += size * SD
    for b, size in (reading or {}).items():
        readings[b, 0] += size * SD
    observations = Observations.build(
        y, block, [SD**2 * np.eye(PER_BLOCK)] * BLOCKS, readings,
        np.full((BLOCKS, 1, 1), SD**2),
    )

    def model(x, readings):
        r = readings[block, 0]
        a = np.column_stack([np.ones(len(r)), r, r**2])
        by_reading = slope + (x[1] + 2 * x[2] * r)
        return Prediction(a @ x + slope * r, a, by_reading[:, None])

    candidates = [Candidate(("row", i), rows=(i,)) for i in range(len(block))]
    candidates += [Candidate(("reading", b), block=b, readings=(0,)) for b in range(BLOCKS)]
    candidates += [
        Candidate(("block", b), rows=tuple(np.flatnonzero(block == b)), detects=False)
        for b in range(BLOCKS)
    ]
    return model, observations, np.array([1.0, 0.0, 1.0]), candidates


def snooped(model, observations, start, candidates, prior=None, **how):
    return snoop(model, adjust(model, observations, start, prior=prior), candidates, **how)


@pytest.mark.parametrize(("planted", "expected"), [
    ({"rows": {5: 15}}, [("row", 5)]),
    ({"rows": {5: 15, 30: -12}}, [("row", 5), ("row", 30)]),
    ({"reading": {3: 12}}, [("reading", 3)]),
    ({"rows": {8: 15, 9: -14, 10: 12, 11: 17}}, [("block", 2)]),
    ({}, []),
])
def test_says_which_kind_of_thing_is_wrong(planted, expected):
    """A bad value, two, a bad reading, a bad block and nothing at all are told apart."""
    found = snooped(*problem(1, **planted))
    assert [s.candidate.label for s in found.suspects] == expected


def test_the_rest_is_what_a_clean_problem_gives():
    """Without the suspects the solution is that of the problem that never had those rows."""
    model, observations, start, candidates = problem(1, rows={5: 15})
    found = snooped(model, observations, start, candidates)
    _, clean, *_ = problem(1)
    again = snooped(model, clean, start, candidates)
    shift = found.final.parameters - again.final.parameters
    assert (np.abs(shift) < 0.5 * again.final.sd).all()
    assert found.final.dof == found.first.dof - 1
    assert np.abs(found.first.parameters - again.final.parameters).max() > np.abs(shift).max()


def test_a_reading_set_aside_says_nothing():
    """However wrong it is, a reading that was set aside does not move the result at all."""
    results = []
    for size in (0, 40):
        model, observations, start, _ = problem(2, reading={4: size})
        reading = Candidate("reading", block=4, readings=(0,))
        aside, prior = set_aside(observations, Prior.none(), [reading])
        results.append(adjust(model, aside, start, prior=prior, tolerance=1e-8))
    np.testing.assert_allclose(results[0].parameters, results[1].parameters, atol=1e-9)
    assert results[0].chi2 == pytest.approx(results[1].chi2, rel=1e-6)


def test_good_values_are_accused_at_the_stated_rate():
    """Over 60 clean problems rows are beyond their limit at alpha, blocks at their own level."""
    counts = {"row": [0, 0], "block": [0, 0]}
    alpha = 0.01
    for seed in range(60):
        model, observations, start, candidates = problem(100 + seed)
        solved = adjust(model, observations, start)
        for verdict in judge(solved, candidates, alpha):
            kind = verdict.candidate.label[0]
            if kind in counts:
                counts[kind][0] += verdict.quotient > 1
                counts[kind][1] += 1
    for kind, dof in (("row", 1), ("block", PER_BLOCK)):
        accused, total = counts[kind]
        rate = equal_power_level(dof, alpha)
        assert abs(accused / total - rate) < 3.5 * np.sqrt(rate / total)


def test_many_are_found_robustly_and_the_rest_is_tested_again():
    """Twelve of 48 rows are out: one at a time two are found, with a robust fit all of them."""
    rows = {4 * i: 20.0 * (-1) ** i for i in range(12)}
    found = snooped(*problem(3, rows=rows), most=2)
    assert {s.candidate.label for s in found.suspects} == {("row", i) for i in rows}
    assert found.stopped is Stopped.PROVEN and found.robust
    assert not found.beyond


def test_what_a_robust_fit_doubts_but_the_rest_predicts_is_taken_back():
    """Rows three sds out have little weight, yet lie within their limit: they are not suspects."""
    model, observations, start, candidates = problem(4)
    bad, doubtful = [4 * i for i in range(12)], [4 * i + 1 for i in range(6)]
    values = observations.values.copy()
    values[bad] += 25 * SD
    gone = [Candidate("all", rows=(*bad, *doubtful))]
    rest = adjust(model, set_aside(observations, Prior.none(), gone)[0], start)
    for row, sign in zip(doubtful, (1, -1, 1, -1, 1, -1), strict=True):
        test = error_test(rest, rows=(row,)).test  # 2.8 sds from where the others put it
        sd = abs(test.bias[0]) / np.sqrt(test.statistic)
        values[row] += sign * 2.8 * sd - test.bias[0]
    found = snooped(model, replace(observations, values=values), start, candidates, most=2)
    labels = {s.candidate.label for s in found.suspects}
    assert labels == {("row", i) for i in bad}
    groups = [c for c in candidates if c.detects and not c.readings]
    solved = adjust(model, replace(observations, values=values), start)
    weights = reweight(model, solved, groups)
    assert {("row", i) for i in doubtful} & set(weights.below(0.5))


def test_says_what_is_still_out_where_nothing_helps():
    """Half of the rows are out by all sorts of amounts: the search names what it leaves."""
    rng = np.random.default_rng(0)
    rows = {i: 60 * rng.normal() for i in range(0, 48)}
    found = snooped(*problem(3, rows=rows), most=2)
    assert found.beyond
    assert {v.candidate.label for v in found.beyond}
    assert all(v.quotient > 1 for v in found.beyond)
    assert found.stopped in (Stopped.MOST, Stopped.NEEDED)


def test_passes_over_a_value_that_the_rest_cannot_do_without():
    """The last two fix a parameter: they stay, and the next candidate is set aside instead."""
    a = np.array([[1.0, 0.0]] * 6 + [[1.0, 1.0]] * 2)
    observations = Observations.build([0, 0.05, 0, -0.05, 0, 1.2, 0, 9.0], range(8),
                                      [0.01 * np.eye(1)] * 8)

    def model(x, _):
        return Prediction(a @ x, a, np.zeros((8, 0)))

    pair = Candidate("the last two", rows=(6, 7))
    found = snooped(model, observations, np.zeros(2), [pair])
    assert not found.suspects and [v.candidate for v in found.beyond] == [pair]
    assert found.stopped is Stopped.NEEDED
    next_one = Candidate("the sixth", rows=(5,))
    found = snooped(model, observations, np.zeros(2), [pair, next_one])
    assert [s.candidate for s in found.suspects] == [next_one]


def test_a_value_without_which_nothing_converges_is_passed_over(monkeypatch):
    """Removing the worst does not converge: the next is tried, what had converged is kept."""
    refused = []

    def stubborn(model, observations, start, **how):
        if observations.aside[5]:
            refused.append(5)
            raise NotConverged("made not to")
        return adjust(model, observations, start, **how)

    monkeypatch.setattr("calib.adjust.mixed_model.adjust", stubborn)
    found = snooped(*problem(1, rows={5: 30, 30: -12}))
    assert refused
    assert ("row", 30) in [s.candidate.label for s in found.suspects]


def test_a_prior_value_is_a_candidate():
    """A prior 12 sds off is found, named, and its miss told; the parameters are as without it."""
    model, observations, start, candidates = problem(6)
    truth = adjust(model, observations, start).parameters
    values = truth[:2] + np.array([0.0, 12 * 0.02])
    prior = prior_on(["a", "b"], [0, 1], values, sd=[0.02, 0.02])
    candidates += [Candidate(("prior", i), (len(observations.values) + i,)) for i in range(2)]
    found = snooped(model, observations, start, candidates, prior=prior)
    assert [s.candidate.label for s in found.suspects] == [("prior", 1)]
    assert found.at_end[0].test.bias == pytest.approx([0.24], abs=0.02)
    alone = adjust(model, observations, start,
                   prior=prior_on(["a"], [0], truth[:1], sd=[0.02]))
    np.testing.assert_allclose(found.final.parameters, alone.parameters, atol=3e-5)
    assert found.final.dof == alone.dof
