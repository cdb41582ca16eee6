"""Variance components on balanced problems with a closed form, and on runs of draws."""

import numpy as np
import pytest

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.adjust.variance_components import Component, scaled, variance_components

GROUPS = 10


def estimated(model, observations, components, p=1):
    return variance_components(model, adjust(model, observations, np.zeros(p)), components)


def one_way(seed, per_group=4, between=1.0, within=1.0, groups=GROUPS):
    """One-way random effects: the mean of groups that share a reading error."""
    rng = np.random.default_rng(seed)
    block = np.repeat(np.arange(groups), per_group)
    y = 10 + np.sqrt(between) * rng.normal(size=groups)[block]
    y = y + np.sqrt(within) * rng.normal(size=len(block))
    observations = Observations.build(
        y, block, [np.eye(per_group)] * groups, np.zeros((groups, 1)), np.ones((groups, 1, 1)))
    one = np.ones((len(block), 1))
    components = [Component("within", rows=np.arange(len(block))),
                  Component("between", reading=0)]
    return (lambda x, r: Prediction(one @ x + r[block, 0], one, one)), observations, components, y


def test_balanced_one_way_has_a_closed_form():
    """In the balanced one-way layout REML is the analysis of variance."""
    model, observations, components, y = one_way(0, between=3.0)
    table = y.reshape(GROUPS, 4)
    within = table.var(axis=1, ddof=1).mean()
    between = table.mean(axis=1).var(ddof=1) - within / 4
    got = estimated(model, observations, components)
    assert got.factor == pytest.approx([within, between], rel=5e-3)
    # var of the within mean square is 2 sigma^4 / (groups (per_group - 1)).
    assert got.sd[0] == pytest.approx(within * np.sqrt(2 / (GROUPS * 3)), rel=5e-3)
    assert got.dof[0] == pytest.approx(GROUPS * 3, rel=1e-2)


def test_one_component_is_the_variance_factor():
    """With a single component for everything the estimate is chi2 / dof."""
    rng = np.random.default_rng(4)
    a = rng.normal(size=(30, 3))
    observations = Observations.build(3 * rng.normal(size=30), range(30), [np.eye(1)] * 30)
    got = estimated(lambda x, _: Prediction(a @ x, a, np.zeros((30, 0))), observations,
                    [Component("all", rows=np.arange(30))], p=3)
    plain = np.sum((observations.values - a @ got.adjustment.parameters) ** 2) / 27
    assert got.factor[0] == pytest.approx(plain, rel=5e-3)
    assert got.adjustment.variance_factor == pytest.approx(1.0, rel=5e-3)
    assert got.redundancy[0] == pytest.approx(27)


@pytest.mark.slow
def test_intervals_cover():
    """Over 200 draws the 95 % intervals hold the true factors between 91 and 98.5 %."""
    inside = []
    for seed in range(200):
        model, observations, components, _ = one_way(seed, 3, 2.0, 0.5, groups=24)
        got = estimated(model, observations, components)
        inside.append((got.low95 <= [0.5, 2.0]) & ([0.5, 2.0] <= got.high95))
    assert ((np.mean(inside, axis=0) > 0.91) & (np.mean(inside, axis=0) < 0.985)).all()


def test_too_little_redundancy_is_said():
    """A component with two values cannot be estimated and is left as stated."""
    rng = np.random.default_rng(6)
    a = np.ones((20, 1))
    observations = Observations.build(rng.normal(size=20), range(20), [np.eye(1)] * 20)
    components = [Component("most", rows=np.arange(18)), Component("two", rows=np.arange(18, 20))]
    got = estimated(lambda x, _: Prediction(a @ x, a, np.zeros((20, 0))), observations, components)
    assert got.estimated.tolist() == [True, False]
    assert np.isnan(got.high95[1])


def test_components_that_cannot_be_told_apart_are_not_both_estimated():
    """One value per group: within and between add up, and only their sum is known."""
    model, observations, components, _ = one_way(7, per_group=1, groups=30)
    got = estimated(model, observations, components)
    assert got.estimated.sum() <= 1


def test_a_group_that_cannot_be_told_apart_is_named():
    """One value per group and far too much scatter: within or between, none of the two blamed."""
    model, observations, components, _ = one_way(8, per_group=1, groups=30, between=20.0)
    got = estimated(model, observations, components)
    assert got.group == (0, 1)
    assert not got.differs.any() and not got.estimated.any()
    assert (got.alone > 1).all()


def test_a_kind_without_any_noise():
    """Between groups nothing at all: the interval begins at 0 and nothing else is blamed."""
    model, observations, components, _ = one_way(1, per_group=4, between=0.0, groups=40)
    got = estimated(model, observations, components)
    assert got.low95[1] == 0.0
    assert got.factor[1] < got.high95[1] < 0.5
    assert got.differs.tolist() == [False, True]


@pytest.mark.parametrize("stated", [1e-3, 1e-1, 1e1, 1e3])
def test_the_stated_sds_do_not_matter(stated):
    """Variances and intervals are the same whatever was stated, each kind for itself."""
    model, observations, components, _ = one_way(2, between=3.0)
    other = scaled(observations, components, [stated**2, 1 / stated])
    ratio = np.array([stated**2, 1 / stated])
    one, two = (estimated(model, o, components) for o in (observations, other))
    np.testing.assert_allclose(two.factor * ratio, one.factor, rtol=1e-4)
    np.testing.assert_allclose(two.high95 * ratio, one.high95, rtol=0.03)
    np.testing.assert_allclose(two.low95 * ratio, one.low95, rtol=0.03)


@pytest.mark.slow
def test_one_error_rate_for_all_kinds():
    """Six kinds as stated, 150 draws: one of them is called wrong in 1 to 9 % of the draws."""
    design, wrong = np.ones((60, 1)), 0
    components = [Component(str(k), rows=np.arange(k, 60, 6)) for k in range(6)]
    for seed in range(150):
        values = np.random.default_rng(4000 + seed).normal(size=60)
        observations = Observations.build(values, range(60), [np.eye(1)] * 60)
        got = estimated(lambda x, _: Prediction(design @ x, design, np.zeros((60, 0))),
                        observations, components)
        wrong += got.differs.any() or bool(got.group)
    assert 2 <= wrong <= 14


def test_scaled_touches_only_its_component():
    """Doubling the variance of some rows leaves the others and the readings alone."""
    _, observations, _, _ = one_way(0)
    twice = scaled(observations, [Component("some", rows=np.array([0, 1]))], [2.0])
    np.testing.assert_allclose(twice.groups[0].covariance[0], np.diag([2.0, 2.0, 1.0, 1.0]))
    np.testing.assert_allclose(twice.groups[0].covariance[1], np.eye(4))
    np.testing.assert_allclose(twice.reading_covariance, observations.reading_covariance)
