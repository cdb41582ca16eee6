"""Snooping on small problems with planted errors."""

import numpy as np
import pytest

from calib.adjust.critical import equal_power_level
from calib.adjust.observations import Observations, Prediction
from calib.adjust.snooping import Candidate, judge, snoop, without

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


@pytest.mark.parametrize(("planted", "expected"), [
    ({"rows": {5: 15}}, [("row", 5)]),
    ({"rows": {5: 15, 30: -12}}, [("row", 5), ("row", 30)]),
    ({"reading": {3: 12}}, [("reading", 3)]),
    ({"rows": {8: 15, 9: -14, 10: 12, 11: 17}}, [("block", 2)]),
    ({}, []),
])
def test_says_which_kind_of_thing_is_wrong(planted, expected):
    """A bad value, two, a bad reading, a bad block and nothing at all are told apart."""
    found = snoop(*problem(1, **planted))
    assert [s.candidate.label for s in found.suspects] == expected


def test_the_rest_is_what_a_clean_problem_gives():
    """Without the suspects the solution is that of the problem that never had those rows."""
    model, observations, start, candidates = problem(1, rows={5: 15})
    found = snoop(model, observations, start, candidates)
    _, clean, *_ = problem(1)
    again = snoop(model, clean, start, candidates)
    shift = found.final.parameters - again.final.parameters
    assert (np.abs(shift) < 0.5 * again.final.sd).all()
    assert len(found.kept) == len(observations.values) - 1
    assert np.abs(found.first.parameters - again.final.parameters).max() > np.abs(shift).max()


def test_a_reading_set_aside_says_nothing():
    """However wrong it is, a reading that was set aside does not move the result."""
    results = []
    for size in (0, 40):
        model, observations, start, candidates = problem(2, reading={4: size})
        verdict = next(v for v in judge(snoop(model, observations, start, []).first, candidates)
                       if v.candidate.label == ("reading", 4))
        model, observations, _ = without(model, observations, [verdict])
        results.append(snoop(model, observations, start, []).final)
    difference = np.abs(results[0].parameters - results[1].parameters)
    assert (difference < 0.02 * results[0].sd).all()


def test_good_values_are_accused_at_the_stated_rate():
    """Over 60 clean problems rows are beyond their limit at alpha, blocks at their own level."""
    counts = {"row": [0, 0], "block": [0, 0]}
    alpha = 0.01
    for seed in range(60):
        model, observations, start, candidates = problem(100 + seed)
        solved = snoop(model, observations, start, []).first
        for verdict in judge(solved, candidates, alpha):
            kind = verdict.candidate.label[0]
            if kind in counts:
                counts[kind][0] += verdict.quotient > 1
                counts[kind][1] += 1
    for kind, dof in (("row", 1), ("block", PER_BLOCK)):
        accused, total = counts[kind]
        rate = equal_power_level(dof, alpha)
        assert abs(accused / total - rate) < 3.5 * np.sqrt(rate / total)


def test_stops_before_nothing_is_left():
    """The search stops at the number it was given and says that more is out."""
    found = snoop(*problem(3, rows={7 * i: 20 * (-1) ** i for i in range(6)}), most=2)
    assert len(found.suspects) == 2
    assert found.stopped == "2 values are set aside, and others are still beyond their limit"


def test_stops_where_the_rest_would_not_determine_the_parameters():
    """A value that the solution cannot do without is not set aside."""
    a = np.array([[1.0, 0.0], [1.0, 0.0], [1.0, 1.0], [1.0, 1.0]])
    observations = Observations.build([0.0, 1.0, 0.0, 9.0], range(4), [0.01 * np.eye(1)] * 4)

    def model(x, _):
        return Prediction(a @ x, a, np.zeros((4, 0)))

    pair = [Candidate("the last two", rows=(2, 3))]
    found = snoop(model, observations, np.zeros(2), pair)
    assert not found.suspects
    assert found.stopped == (
        "without the last two the rest does not determine the parameters")
