"""The search: gains against brute force, designs against every possible one."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from calib.plan.bound import determinant_efficiency, least_variance
from calib.plan.budget import Design, swapped
from calib.plan.exchange import Pool, determinant_gain, variance_gain, worst_gain

P, R = 4, 2


def random_pool(seed, candidates=9, groups=2, prior=0.3):
    """Candidates of two observations about four parameters and two unknowns of their group."""
    rng = np.random.default_rng(seed)
    rows = rng.normal(0, 1, (candidates, 2, P + R)) * rng.uniform(0.3, 3, (candidates, 1, 1))
    columns = np.array([[*range(P), *range(P + R * g, P + R * (g + 1))] for g in range(groups)])
    return Pool(rows, prior * np.eye(P + R * groups), columns, minutes=np.ones(candidates))


def nodes(seed, count=5):
    return np.random.default_rng(seed).normal(0, 1, (count, 3, P))


def exchanged(pool, start, groups, criterion, shortlist=None):
    """The candidates that exchange ends at; each at most once."""
    shortlist = np.arange(len(pool.rows)) if shortlist is None else shortlist
    design = Design(tuple(start), tuple(groups))
    return list(swapped(pool, design, criterion, np.inf, shortlist, passes=10).candidates)


def variance(pool, design, groups, form):
    covariance = np.linalg.inv(pool.information(design, groups))
    return np.trace(form @ covariance[:P, :P])


def test_information_keeps_groups_apart():
    """A candidate in one group says nothing about another group's unknowns."""
    pool = random_pool(1)
    information = pool.information([0, 1], [0, 1]) - pool.prior
    np.testing.assert_array_equal(information[P : P + R, P + R :], 0)
    np.testing.assert_allclose(information[:P, :P],
                               sum(pool.rows[i].T @ pool.rows[i] for i in (0, 1))[:P, :P])
    np.testing.assert_allclose(information[P + R :, P + R :],
                               (pool.rows[1].T @ pool.rows[1])[P:, P:])


@pytest.mark.parametrize("group", [0, 1])
def test_gains_are_what_adding_gains(group):
    """All three criteria: the gain is the change that adding the candidate makes."""
    pool, j = random_pool(2), nodes(3)
    form = np.einsum("nci,ncj->ij", j, j) / len(j)
    design, groups = [0, 3, 5], [0, 1, 0]
    covariance = np.linalg.inv(pool.information(design, groups))

    def worst(d, g):
        own = np.linalg.inv(pool.information(d, g))[:P, :P]
        return np.einsum("nci,ij,ncj->n", j, own, j).max()

    def log_det(d, g):
        return np.linalg.slogdet(pool.information(d, g))[1]

    chosen = np.array([1, 4, 8])
    for criterion, score, sign in (
        (determinant_gain, log_det, 1),
        (variance_gain(form), lambda d, g: variance(pool, d, g, form), -1),
        (worst_gain(j), worst, -1),
    ):
        expected = [sign * (score([*design, c], [*groups, group]) - score(design, groups))
                    for c in chosen]
        np.testing.assert_allclose(criterion(pool, covariance, group, chosen), expected, rtol=1e-8)
        everything = criterion(pool, covariance, group, slice(None))
        np.testing.assert_allclose(everything[chosen], expected, rtol=1e-8)


@pytest.mark.parametrize("seed", range(8))
def test_exchange_comes_close_to_the_best_of_all(seed):
    """Five of ten candidates: within 3 % of the least variance, 2 % of the best determinant."""
    pool = random_pool(seed, candidates=10, groups=1)
    groups, j = np.zeros(5, int), nodes(seed + 100)
    form = np.einsum("nci,ncj->ij", j, j)
    every = [list(d) for d in combinations(range(10), 5)]
    gain = variance_gain(form)
    found = exchanged(pool, range(5), groups, gain)
    least = min(variance(pool, d, groups, form) for d in every)
    assert least - 1e-9 <= variance(pool, found, groups, form) < 1.03 * least
    found = exchanged(pool, range(5), groups, determinant_gain)
    score = [np.linalg.slogdet(pool.information(d, groups))[1] / (P + R) for d in (found, *every)]
    assert score[0] > max(score[1:]) - 0.02


def test_exchange_takes_no_candidate_twice():
    """Though one candidate is far better than the rest, it is taken once."""
    pool = random_pool(4, candidates=12, groups=1)
    pool.rows[9] *= 20
    design = exchanged(pool, range(8), np.zeros(8, int), determinant_gain)
    assert design.count(9) == 1 and np.bincount(design).max() == 1


def test_exchange_keeps_to_the_shortlist():
    """Only listed candidates are brought in; what was there may stay."""
    pool, groups = random_pool(6, candidates=40, groups=1), np.zeros(6, int)
    start, shortlist = [0, 1, 2, 3, 4, 5], np.array([10, 20, 30])
    design = exchanged(pool, start, groups, determinant_gain, shortlist)
    assert set(design) <= {*start, *shortlist} and design != start


def test_exchange_never_worsens():
    """From any start the criterion is at least what it was."""
    pool, groups = random_pool(7, candidates=60), np.arange(6) % 2
    form = np.eye(P)
    for seed in range(5):
        start = list(np.random.default_rng(seed).choice(60, 6, replace=False))
        end = exchanged(pool, start, groups, variance_gain(form))
        assert variance(pool, end, groups, form) <= variance(pool, start, groups, form) + 1e-12


@pytest.mark.parametrize("seed", range(4))
def test_bounds_hold_for_every_design(seed):
    """With prior and two groups no design beats the bound, and the bound is not idle."""
    pool, groups = random_pool(seed, candidates=9), np.arange(14) % 2
    j = nodes(seed + 50)
    form = np.einsum("nci,ncj->ij", j, j)
    several = replace(pool, rows=np.repeat(pool.rows, 14, axis=0), minutes=np.ones(9 * 14))
    start = np.array(exchanged(several, range(0, 14 * 9, 9), groups, variance_gain(form))) // 14
    bound = least_variance(pool, start, groups, form)
    rng = np.random.default_rng(seed)
    designs = [rng.choice(9, 14) for _ in range(400)] + [start]
    reached = min(variance(pool, d, groups, form) for d in designs)
    assert 0.9 * reached < bound <= reached
    scores = [np.linalg.slogdet(pool.information(d, groups))[1] / len(pool.prior) for d in designs]
    for design in designs[::80]:
        efficiency = determinant_efficiency(pool, design, groups)
        own = np.linalg.slogdet(pool.information(design, groups))[1] / len(pool.prior)
        assert 0 < efficiency <= np.exp(own - max(scores)) + 1e-9
