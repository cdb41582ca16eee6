"""Tests of parameters that a problem lacks: against solving with them, and against chance."""

import numpy as np
import pytest

from calib.adjust.distributions import chi2_sf
from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.adjust.reliability import hypothesis_test
from calib.adjust.score import Family, Scores
from tests.adjust.priors import prior_on

RNG = np.random.default_rng(4)
DESIGN, EXTRA = RNG.normal(size=(20, 3)), RNG.normal(size=(20, 4))
BY_READINGS = RNG.normal(size=(20, 2))


def problem(values, extra=()):
    """A linear problem with readings and a prior, some extra columns estimated too."""
    design = np.hstack([DESIGN, EXTRA[:, list(extra)]])

    def model(b, readings):
        rows = np.einsum("nk,nk->n", BY_READINGS, np.repeat(readings, 2, axis=0))
        return Prediction(design @ b + rows, design, BY_READINGS)

    observations = Observations.build(
        values, np.repeat(np.arange(10), 2), [np.diag([1.0, 2.0])] * 10, np.zeros((10, 2)),
        np.tile(0.3 * np.eye(2), (10, 1, 1)))
    prior = prior_on(("first",), [0], [0.5], sd=[0.7])
    return adjust(model, observations, np.zeros(design.shape[1]), prior=prior)


def scores(values):
    return Scores.of(problem(values), np.vstack([EXTRA, np.zeros((1, 4))]))


@pytest.mark.parametrize("members", [(0,), (2,), (0, 1), (1, 2, 3)])
def test_in_a_linear_problem_it_is_what_solving_gives(members):
    """Statistic, values, covariance, and how the others move, to rounding."""
    values = RNG.normal(size=20) * 2
    without, other = problem(values), problem(values, members)
    found = scores(values)
    score = found.test(members)
    assert score.dof == len(members)
    assert score.statistic == pytest.approx(without.chi2 - other.chi2, rel=1e-8)
    np.testing.assert_allclose(score.values, other.parameters[3:], rtol=1e-7)
    np.testing.assert_allclose(score.covariance, other.covariance[3:, 3:], rtol=1e-7)
    moved = found.taken_up[:, list(members)] @ score.values
    np.testing.assert_allclose(moved, other.parameters[:3] - without.parameters, atol=1e-7)
    assert score.statistic == pytest.approx(
        hypothesis_test(without, EXTRA[:, list(members)]).statistic, rel=1e-8)


def test_what_the_design_takes_up_is_not_told():
    """A column of the design, and two that are alike, are no tests."""
    columns = np.vstack([np.column_stack([DESIGN[:, 1], EXTRA[:, 0], 2 * EXTRA[:, 0]]),
                         np.zeros((1, 3))])
    found = Scores.of(problem(RNG.normal(size=20)), columns)
    assert found.told.tolist() == [False, True, True]
    assert found.test([0]).dof == 0 and found.test([1]).dof == 1
    assert found.test([1, 2]).dof == 0
    # All of the second parameter, none of the others.
    np.testing.assert_allclose(found.taken_up[:, 0], [0, -1, 0], atol=1e-9)


@pytest.mark.parametrize(("stated", "noise"), [(True, 1.0), (False, 1.0), (False, 3.0)])
def test_a_family_errs_as_often_as_it_says(stated, noise):
    """The least chance of seven tests, of 300 sets without an effect, is uniform."""
    hypotheses = ((0,), (1,), (2,), (3,), (0, 1), (1, 2), (2, 3))
    rng, chances = np.random.default_rng(11), []
    base = problem(np.zeros(20))
    covariance = [np.diag([1.0, 2.0]) + b @ (0.3 * np.eye(2)) @ b.T
                  for b in BY_READINGS.reshape(10, 2, 2)]
    roots = np.array([np.linalg.cholesky(c) for c in covariance])
    columns = np.vstack([EXTRA, np.zeros((1, 4))])
    plain = Scores.of(base, columns)
    family = Family(plain, hypotheses, stated)
    for _ in range(300):
        values = noise * (roots @ rng.normal(size=(10, 2, 1))).ravel()
        solved = problem(values + DESIGN[:, 0] * (0.5 + 0.7 * noise * rng.normal()))
        found = Scores.of(solved, columns)
        single = min(found.taken_off(s.statistic, s.dof, stated)
                     for s in map(found.test, hypotheses))
        chances.append(family.chance(single))
    below = [np.mean(np.array(chances) < level) for level in (0.05, 0.2, 0.5)]
    np.testing.assert_allclose(below, [0.05, 0.2, 0.5], atol=0.06)
    assert below[0] == pytest.approx(0.05, abs=0.03)
    assert family.chance(family.single(0.05)) == pytest.approx(0.05, abs=0.005)


def test_stated_sds_that_are_not_true_mislead_the_chi_square_alone():
    """With noise three times as large as stated nearly every family errs."""
    rng, wrong = np.random.default_rng(12), 0
    for _ in range(50):
        found = scores(3 * rng.normal(size=20) * np.sqrt(2))
        wrong += min(chi2_sf(found.test([i]).statistic, 1) for i in range(4)) < 0.0125
    assert wrong > 20


def test_chances_together_lie_between_one_test_and_bonferroni():
    """And one test alone is what it is."""
    found = scores(RNG.normal(size=20))
    for single in (0.3, 0.01, 1e-6, 1e-12):
        assert Family(found, ((1,),)).chance(single) == pytest.approx(single, rel=0.1)
        together = Family(found, ((0,), (1,), (2,))).chance(single)
        assert 0.95 * single < together <= 3 * single
    assert Family(found, ()).chance(0.001) == 0.0
