"""Reliability against the full adjustment that carries every reading as an unknown."""

import numpy as np
import pytest

from calib.adjust.critical import delta0, noncentrality
from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction, Prior
from calib.adjust.reliability import (
    GroupTests,
    hypothesis_test,
    influence,
    pope_taus,
    reliability,
)
from tests.adjust.priors import prior_on


def total_redundancy(checks):
    """Sum of all redundancy numbers: the degrees of freedom."""
    return sum(family.sum() for family in (
        checks.observations.redundancy, checks.readings.redundancy, checks.priors.redundancy))

N_BLOCKS, K, P = 6, 2, 4


def linear_problem(seed=0, bias=None, with_prior=True):
    """Random linear model y = A x + B l in blocks of 1 to 3 correlated observations."""
    rng = np.random.default_rng(seed)
    block = np.repeat(np.arange(N_BLOCKS), [3, 2, 3, 1, 2, 3])
    n = len(block)
    a, b = rng.normal(size=(n, P)), rng.normal(size=(n, K))
    covariances = []
    for size in np.bincount(block):
        root = rng.normal(size=(size, size)) + 2 * np.eye(size)
        covariances.append(root @ root.T)
    q = np.tile(np.array([[0.5, 0.1], [0.1, 0.8]]), (N_BLOCKS, 1, 1))
    readings = rng.normal(size=(N_BLOCKS, K))
    y = rng.normal(size=n) * 2 + (0 if bias is None else bias)
    observations = Observations.build(y, block, covariances, readings, q)

    def model(x, readings):
        return Prediction(a @ x + np.einsum("ij,ij->i", b, readings[block]), a, b)

    prior = prior_on(["first", "third"], [0, 2], [0.2, -0.1],
                                covariance=[[0.3, 0.1], [0.1, 0.4]])
    if not with_prior:
        prior = Prior.none()
    adjustment = adjust(model, observations, np.zeros(P), prior=prior)
    return adjustment, a, b, block, covariances, q


def full_adjustment(adjustment, a, b, block, covariances, q):
    """The textbook's way: dense matrices, readings as unknowns and as observations."""
    n, q_priors = len(block), len(adjustment.prior.values)
    nk = N_BLOCKS * K
    design = np.zeros((n + nk + q_priors, P + nk))
    covariance = np.zeros((len(design), len(design)))
    design[:n, :P] = a
    for i in range(n):
        design[i, P + K * block[i] : P + K * block[i] + K] = b[i]
    for j, matrix in enumerate(covariances):
        rows = np.flatnonzero(block == j)
        covariance[np.ix_(rows, rows)] = matrix
        part = slice(n + K * j, n + K * (j + 1))
        covariance[part, part] = q[j]
    design[n : n + nk, P:] = np.eye(nk)
    if q_priors:
        _, design[n + nk :, :P] = adjustment.prior.function(np.zeros(P))
        covariance[n + nk :, n + nk :] = adjustment.prior.covariance
    y = np.concatenate([adjustment.observations.values, adjustment.observations.readings.ravel(),
                        adjustment.prior.values])
    weight = np.linalg.inv(covariance)
    solver = np.linalg.inv(design.T @ weight @ design) @ design.T @ weight
    v = y - design @ (solver @ y)
    q_vv = covariance - design @ np.linalg.inv(design.T @ weight @ design) @ design.T
    pqp = weight @ q_vv @ weight
    return (weight @ v) / np.sqrt(np.diag(pqp)), np.diag(q_vv @ weight), pqp, solver[:P]


@pytest.mark.parametrize("with_prior", [True, False])
def test_equals_the_full_adjustment(with_prior):
    """w, redundancy, detectable bias and influence of every value, against dense matrices."""
    problem = linear_problem(with_prior=with_prior)
    adjustment = problem[0]
    w, r, pqp, solver = full_adjustment(*problem)
    n, nk = len(adjustment.residuals), N_BLOCKS * K
    got, moved = reliability(adjustment), influence(adjustment)
    stacked = np.concatenate([got.observations.w, got.readings.w.ravel(), got.priors.w])
    np.testing.assert_allclose(stacked, w, rtol=1e-8)
    np.testing.assert_allclose(
        np.concatenate([got.observations.redundancy, got.readings.redundancy.ravel(),
                        got.priors.redundancy]), r, atol=1e-10)
    np.testing.assert_allclose(got.observations.mdb, delta0() / np.sqrt(np.diag(pqp)[:n]))
    np.testing.assert_allclose(got.readings.mdb.ravel(), delta0() / np.sqrt(np.diag(pqp)[n:n + nk]))
    np.testing.assert_allclose(moved.observations.T, solver[:, :n], atol=1e-10)
    np.testing.assert_allclose(moved.readings.reshape(nk, P).T, solver[:, n:n + nk], atol=1e-10)
    np.testing.assert_allclose(moved.priors.T, solver[:, n + nk:], atol=1e-10)
    assert total_redundancy(got) == pytest.approx(adjustment.dof, abs=1e-9)


def test_group_test_equals_the_drop_of_chi_square():
    """Testing two observations together is what leaving them out takes off chi-square."""
    adjustment, a, b, block, *_ = linear_problem()
    rows = [1, 5]
    test = GroupTests.of(adjustment).test(rows)
    extra = np.zeros((len(block), 2))
    extra[rows, [0, 1]] = 1.0
    wider = np.hstack([a, extra])

    def model(x, readings):
        return Prediction(wider @ x + np.einsum("ij,ij->i", b, readings[block]), wider, b)

    prior = prior_on(["first", "third"], [0, 2], [0.2, -0.1],
                                covariance=[[0.3, 0.1], [0.1, 0.4]])
    freed = adjust(model, adjustment.observations, np.zeros(P + 2), prior=prior)
    assert test.statistic == pytest.approx(adjustment.chi2 - freed.chi2, rel=1e-8)
    assert test.dof == 2
    assert test.bias == pytest.approx(freed.parameters[P:], rel=1e-8)


def test_groups_of_one_are_the_single_tests():
    """A group of one observation or one reading gives w squared and the same detectable bias."""
    adjustment = linear_problem()[0]
    got = reliability(adjustment)
    row = GroupTests.of(adjustment).test([4])
    assert (row.statistic, row.mdb) == pytest.approx(
        (got.observations.w[4] ** 2, got.observations.mdb[4]))
    reading = GroupTests.of(adjustment).test((), 2, [1])
    assert (reading.statistic, reading.mdb) == pytest.approx(
        (got.readings.w[2, 1] ** 2, got.readings.mdb[2, 1]))


def test_a_bias_of_the_radius_reaches_the_noncentrality():
    """In the worst direction a bias of the stated radius has noncentrality lambda0."""
    adjustment = linear_problem()[0]
    rows = np.array([0, 1, 2])
    radius = GroupTests.of(adjustment).test(rows).mdb
    reached = []
    for direction in np.random.default_rng(3).normal(size=(4000, 3)):
        bias = np.zeros((len(adjustment.residuals), 1))
        bias[rows, 0] = radius * direction / np.linalg.norm(direction)
        pure = hypothesis_test(adjustment, bias)  # unit bias: its radius is 1 where it just shows
        reached.append(noncentrality() / pure.mdb**2)
    assert min(reached) == pytest.approx(noncentrality(), rel=0.02)
    assert min(reached) >= noncentrality() * (1 - 1e-9)


def test_w_is_standard_normal():
    """Over 800 draws with the stated covariances every w has mean 0 and sd 1."""
    _, a, b, block, covariances, q = linear_problem()
    rng = np.random.default_rng(5)
    root_s = [np.linalg.cholesky(c) for c in covariances]
    root_q = np.linalg.cholesky(q[0])

    def model(x, readings):
        return Prediction(a @ x + np.einsum("ij,ij->i", b, readings[block]), a, b)

    draws = []
    for _ in range(800):
        readings = rng.normal(size=(N_BLOCKS, K)) @ root_q.T
        y = np.concatenate([root @ rng.normal(size=len(root)) for root in root_s])
        observations = Observations.build(y, block, covariances, readings, q)
        solved = reliability(adjust(model, observations, np.zeros(P)))
        draws.append(np.concatenate([solved.observations.w, solved.readings.w.ravel()]))
    draws = np.array(draws)
    assert np.abs(draws.mean(0)).max() < 4.5 / np.sqrt(800)
    assert np.abs(draws.std(0) - 1).max() < 4.5 / np.sqrt(1600)


def test_what_nothing_checks_is_said_to_be_unchecked():
    """One observation alone fixes its own parameter: no w, no redundancy, infinite bias."""
    a = np.array([[1.0, 0.0], [1.0, 0.0], [1.0, 1.0]])
    observations = Observations.build([1.0, 1.3, 5.0], [0, 1, 2], [np.eye(1)] * 3)
    adjustment = adjust(lambda x, _: Prediction(a @ x, a, np.zeros((3, 0))), observations,
                        np.zeros(2))
    got = reliability(adjustment)
    assert got.observations.checked.tolist() == [True, True, False]
    assert np.isnan(got.observations.w[2])
    assert got.observations.mdb[2] == np.inf
    assert got.observations.redundancy == pytest.approx([0.5, 0.5, 0.0])
    assert GroupTests.of(adjustment).test([2])[:3] == (0.0, 0, np.inf)
    both = GroupTests.of(adjustment).test([0, 2])
    assert (both.dof, both.mdb) == (1, np.inf)
    assert np.isnan(pope_taus(got.observations.w, adjustment)[2])


def test_block_without_observations_has_unchecked_readings():
    """A pose in which nothing was shot: its readings are checked by nothing."""
    a, b = np.ones((2, 1)), np.array([[1.0], [2.0]])
    observations = Observations.build([1.0, 2.0], [0, 2], [np.eye(1)] * 3, np.zeros((3, 1)),
                                      np.ones((3, 1, 1)))
    adjustment = adjust(
        lambda x, r: Prediction(a @ x + b[:, 0] * r[[0, 2], 0], a, b), observations, np.zeros(1))
    got = reliability(adjustment)
    assert got.readings.checked.ravel().tolist() == [True, False, True]
    assert total_redundancy(got) == pytest.approx(1.0)


def test_hypothesis_of_a_reading_is_its_effect_on_the_misclosures():
    """A reading too high by one lowers the misclosures of its block by its column of B."""
    adjustment, _, b, block, *_ = linear_problem()
    column = GroupTests.of(adjustment).hypothesis((), 2, [1])[: len(block), 0]
    np.testing.assert_allclose(column, np.where(block == 2, -b[:, 1], 0.0))


def test_a_group_of_nothing_has_nothing_to_say():
    """No rows and no readings, and readings of a block without observations."""
    adjustment = linear_problem()[0]
    test = GroupTests.of(adjustment).test()
    assert test.dof == 0 and test.statistic == 0 and test.mdb == np.inf and len(test.bias) == 0
