"""The first look: near the minimum in a few steps, and not drawn by blocks that are far out."""

import numpy as np
import pytest

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction, Prior
from calib.adjust.quick import look
from tests.adjust.priors import prior_on

BLOCKS, PER_BLOCK = 12, 3


def problem(seed, wrong=()):
    """A nonlinear curve with a reading per block; `wrong` blocks are far out."""
    rng = np.random.default_rng(seed)
    block = np.repeat(np.arange(BLOCKS), PER_BLOCK)
    readings = rng.uniform(-1, 1, (BLOCKS, 1))
    slope = np.tile(np.linspace(0.5, 1.5, PER_BLOCK), BLOCKS)

    def model(x, readings):
        r = readings[block, 0]
        values = x[0] + slope * np.exp(x[1] * r)
        a = np.column_stack([np.ones(len(r)), slope * r * np.exp(x[1] * r)])
        return Prediction(values, a, (slope * x[1] * np.exp(x[1] * r))[:, None])

    y = model(np.array([1.0, 0.8]), readings).values + 0.01 * rng.normal(size=len(block))
    for b in wrong:
        y[block == b] += 5.0
    noisy = readings + 0.01 * rng.normal(size=readings.shape)
    observations = Observations.build(y, block, [1e-4 * np.eye(PER_BLOCK)] * BLOCKS, noisy,
                                      np.full((BLOCKS, 1, 1), 1e-4))
    return model, observations


def test_lands_where_the_adjustment_lands():
    """Within a twentieth of a standard deviation, and chi-square within a hundredth."""
    model, observations = problem(1)
    seen = look(model, observations, np.zeros(2), prior=Prior.none(), held=np.zeros(2, bool))
    solved = adjust(model, observations, np.zeros(2))
    assert (np.abs(seen.parameters - solved.parameters) < 0.05 * solved.sd).all()
    assert seen.chi2 == pytest.approx(solved.chi2, rel=0.01)
    assert np.linalg.inv(seen.normal) == pytest.approx(solved.covariance, rel=0.02, abs=1e-12)
    assert seen.block_chi2.sum() == pytest.approx(seen.chi2)


def test_blocks_far_out_pull_little_when_robust():
    """Three of twelve blocks are off by 350 sds: they stand out, and the rest fits."""
    model, observations = problem(2, wrong=(3, 7, 8))
    clean = adjust(*problem(2), np.zeros(2))
    how = {"prior": Prior.none(), "held": np.zeros(2, bool)}
    plain = look(model, observations, np.zeros(2), **how)
    robust = look(model, observations, np.zeros(2), robust=True, **how)
    assert set(np.argsort(-robust.block_chi2)[:3]) == {3, 7, 8}
    assert np.sort(robust.block_chi2)[-4] < 100 < np.sort(robust.block_chi2)[-3]
    error = np.abs(robust.parameters - clean.parameters) / clean.sd
    assert (error < 3).all()
    assert (np.abs(plain.parameters - clean.parameters) > 20 * error * clean.sd).any()


def test_held_parameters_stay_and_priors_count():
    """A held parameter keeps its value; a prior's misfit is part of chi-square."""
    model, observations = problem(3)
    prior = prior_on(["first"], [0], [9.0], sd=[1.0])
    seen = look(model, observations, np.array([0.0, 0.8]), prior=prior,
                held=np.array([False, True]))
    assert seen.parameters[1] == 0.8
    assert seen.chi2 - seen.block_chi2.sum() == pytest.approx((9 - seen.parameters[0]) ** 2)


def test_a_model_that_is_not_finite_is_infinitely_bad():
    """No complaint, no number: chi-square is infinite."""
    model, observations = problem(4)

    def broken(x, readings):
        prediction = model(x, readings)
        return Prediction(prediction.values * np.nan, prediction.by_parameters,
                          prediction.by_readings)

    seen = look(broken, observations, np.zeros(2), prior=Prior.none(), held=np.zeros(2, bool))
    assert seen.chi2 == np.inf
