"""Optimal designs of polynomial regression on [-1, 1].

P. G. Hoel, "Efficiency problems in polynomial estimation", Ann. Math. Statist. 29 (1958) 1134-1145,
and P. G. Guest, "The spacing of observations in polynomial regression", Ann. Math. Statist. 29
(1958) 294-299: the D-optimal design of degree k puts equal weights on the roots of
(1 - x^2) P_k'(x). J. Kiefer and J. Wolfowitz, "The equivalence of two extremum problems", Canad. J.
Math. 12 (1960) 363-366: a design is D-optimal if and only if the largest standardised variance is
the number of parameters. Determinants and points as tabulated from these formulas.
"""

from itertools import combinations_with_replacement

import numpy as np
import pytest

from calib.plan.bound import determinant_efficiency, least_variance
from calib.plan.budget import Design, swapped
from calib.plan.exchange import Pool, determinant_gain, variance_gain

#: Degree: support points, determinant of the information per observation.
HOEL_GUEST = {
    1: ((1.0,), 1.0),
    2: ((1.0, 0.0), 4 / 27),
    3: ((1.0, 5**-0.5), 0.00512),
    4: ((1.0, (3 / 7) ** 0.5, 0.0), 4.29721823876e-5),
    5: ((1.0, 0.7650553239, 0.2852315165), 8.87349711389e-8),
    6: ((1.0, 0.8302238963, 0.4688487935, 0.0), 4.5345354308e-11),
}


def support(degree):
    """The support points of a degree, both signs, rising."""
    return np.unique([s * x for x in HOEL_GUEST[degree][0] for s in (-1.0, 1.0)])


def pool_of(rows, prior=0.0):
    """One observation per candidate, no groups' unknowns."""
    rows = np.asarray(rows, float)
    p = rows.shape[1]
    return Pool(rows[:, None, :], prior * np.eye(p), np.arange(p)[None], minutes=np.ones(len(rows)))


def polynomial(x, degree):
    """Rows 1, x, ..., x^degree."""
    return np.asarray(x)[:, None] ** np.arange(degree + 1)


def exchanged(rows, size, criterion):
    """A design by exchange from an even one, next to nothing known beforehand.

    A candidate is taken once: for a row to be taken up to `size` times there are as many of it.
    """
    pool = pool_of(np.repeat(rows, size, axis=0), prior=1e-8)
    even = np.linspace(0, len(pool.rows) - 1, size).astype(int)
    found = swapped(pool, Design(tuple(even), (0,) * size), criterion, np.inf,
                    np.arange(len(pool.rows)), passes=10)
    return pool_of(rows), np.array(found.candidates) // size


@pytest.mark.parametrize("degree", HOEL_GUEST)
def test_hoel_guest_designs_are_recognised_as_optimal(degree):
    """At the published points the determinant is the published one and the bound is one."""
    x = np.union1d(np.linspace(-1, 1, 2001), support(degree))
    pool = pool_of(polynomial(x, degree))
    design = np.searchsorted(x, support(degree))
    groups = np.zeros(degree + 1, int)
    information = pool.information(design, groups) / (degree + 1)
    assert np.linalg.det(information) == pytest.approx(HOEL_GUEST[degree][1], rel=1e-8)
    assert determinant_efficiency(pool, design, groups) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("degree", [1, 2, 3, 4])
@pytest.mark.parametrize("times", [1, 3])
def test_exchange_finds_the_points_from_a_grid(degree, times):
    """From 2001 points the exchange finds the support, each point equally often.

    As near as swaps go that must gain a share of 1e-4: nearer the determinant is all but flat.
    """
    x = np.union1d(np.linspace(-1, 1, 2001), support(degree))
    _, design = exchanged(polynomial(x, degree), times * (degree + 1), determinant_gain)
    np.testing.assert_allclose(np.sort(x[design]), np.repeat(support(degree), times), atol=2e-2)


def test_seven_observations_of_a_quadratic():
    """The exact design on -1, 0, 1 is 3-2-2 in some order, with determinant 48."""
    rows = polynomial([-1.0, 0.0, 1.0], 2)
    pool, design = exchanged(rows, 7, determinant_gain)
    assert sorted(np.bincount(design, minlength=3)) == [2, 2, 3]
    groups = np.zeros(7, int)
    assert np.linalg.det(pool.information(design, groups)) == pytest.approx(48)
    best = max(np.linalg.det(pool.information(d, groups))
               for d in combinations_with_replacement(range(3), 7))
    assert best == pytest.approx(48)


@pytest.mark.parametrize(("degree", "points"), [(2, 5), (3, 9), (4, 20)])
def test_bound_is_tight_and_never_claims_too_much(degree, points):
    """Equispaced points: the bound lies just below the efficiency against the published optimum."""
    x = np.union1d(np.linspace(-1, 1, 2001), support(degree))
    pool, groups = pool_of(polynomial(x, degree)), np.zeros(points, int)
    design = np.searchsorted(x, np.linspace(-1, 1, points) - 1e-9)
    information = pool.information(design, groups) / points
    true = (np.linalg.det(information) / HOEL_GUEST[degree][1]) ** (1 / (degree + 1))
    if (degree, points) == (2, 5):
        assert true == pytest.approx(0.8390167, abs=1e-7)
    assert true - 0.01 < determinant_efficiency(pool, design, groups) <= true + 1e-9


def test_first_order_trigonometric_regression():
    """Three equispaced angles are D-optimal: determinant 1/4, bound one."""
    angle = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    pool = pool_of(np.column_stack([np.ones(360), np.cos(angle), np.sin(angle)]))
    design, groups = [0, 120, 240], np.zeros(3, int)
    np.testing.assert_allclose(pool.information(design, groups) / 3, np.diag([1, 0.5, 0.5]),
                               atol=1e-12)
    assert determinant_efficiency(pool, design, groups) == pytest.approx(1.0)


def test_variance_criterion_of_a_quadratic():
    """Least sum of variances: weights 1/4, 1/2, 1/4.

    With u the weight on both ends the trace of the inverse is 2 / (u (1 - u)), least at u = 1/2.
    """
    x = np.linspace(-1, 1, 201)
    pool, design = exchanged(polynomial(x, 2), 8, variance_gain(np.eye(3)))
    np.testing.assert_allclose(np.sort(x[design]), [-1, -1, 0, 0, 0, 0, 1, 1], atol=1e-12)
    groups = np.zeros(8, int)
    assert np.trace(np.linalg.inv(pool.information(design, groups) / 8)) == pytest.approx(8)
    assert least_variance(pool, design, groups, np.eye(3)) == pytest.approx(1.0)
    equal = np.searchsorted(x, [-1, -1, 0, 0, 1, 1])
    six = least_variance(pool, equal, groups[:6], np.eye(3))
    assert 0.99 * 8 / 6 < six <= 8 / 6 + 1e-9
