"""Robust re-weighting against known answers and against many gross errors."""

import numpy as np
import pytest
from scipy.optimize import minimize

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.adjust.reliability import Candidate
from calib.adjust.robust import reweight


def line(seed, wrong=0):
    """A straight line through 40 points, some of them gross errors to one side."""
    rng = np.random.default_rng(seed)
    a = np.column_stack([np.ones(40), np.linspace(-1, 1, 40)])
    y = a @ [2.0, 1.0] + 0.1 * rng.normal(size=40)
    bad = rng.choice(40, wrong, replace=False)
    y[bad] += rng.uniform(2, 4, wrong)
    observations = Observations.build(y, range(40), [np.array([[0.01]])] * 40)
    model = lambda x, _: Prediction(a @ x, a, np.zeros((40, 0)))
    return model, observations, [Candidate(i, rows=(i,)) for i in range(40)], a, y, bad


def test_is_the_minimum_of_its_loss():
    """The estimate minimises the sum of Huber's loss."""
    loss = lambda u: np.where(u < 1, u**2 / 2, u - 0.5)
    model, observations, groups, a, y, _ = line(1, wrong=6)
    got = reweight(model, adjust(model, observations, np.zeros(2)), groups)
    best = minimize(lambda x: loss(np.abs(y - a @ x) / 0.1 / 1.345).sum(), got.parameters,
                    method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-12})
    np.testing.assert_allclose(got.parameters, best.x, atol=5e-4)


def test_many_one_sided_errors_are_found():
    """Ten of forty points are wrong to one side: all have small weights, the good ones do not."""
    model, observations, groups, *_, bad = line(2, wrong=10)
    got = reweight(model, adjust(model, observations, np.zeros(2)), groups)
    assert set(got.below(0.15)) == set(bad)


def test_clean_data_keep_their_weights():
    """Without gross errors Huber leaves most weights at 1 and none below one third."""
    model, observations, groups, *_ = line(3)
    weights = reweight(model, adjust(model, observations, np.zeros(2)), groups).weights
    assert np.mean([w == 1.0 for w in weights.values()]) > 0.75
    assert min(weights.values()) > 1 / 3


def test_a_wrong_reading_is_told_from_its_observations():
    """Two observations share a reading that is far off: the reading loses its weight."""
    rng = np.random.default_rng(4)
    block = np.repeat(np.arange(12), 4)
    readings = 0.1 * rng.normal(size=(12, 1))
    slope = rng.uniform(0.5, 2, 48)
    y = 3 + 0.1 * rng.normal(size=48)
    readings[5] += 3
    observations = Observations.build(y, block, [0.01 * np.eye(4)] * 12, readings,
                                      np.full((12, 1, 1), 0.01))
    one = np.ones((48, 1))
    model = lambda x, r: Prediction(x[0] + slope * r[block, 0], one, slope[:, None])
    groups = [Candidate(("row", i), rows=(i,)) for i in range(48)]
    groups += [Candidate(("reading", b), block=b, readings=(0,)) for b in range(12)]
    got = reweight(model, adjust(model, observations, np.zeros(1)), groups)
    assert got.below(0.2) == (("reading", 5),)
    assert got.parameters[0] == pytest.approx(3, abs=0.1)
