"""The blockwise restricted likelihood against the textbook's, with full matrices."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.adjust.profile import Profile, bartlett_factor, effective_dof
from calib.adjust.restricted import RestrictedLikelihood
from tests.adjust.priors import prior_on

SIZES = np.array([2, 3, 3, 1, 4, 2, 3])
BLOCK = np.repeat(np.arange(len(SIZES)), SIZES)
N, P = int(SIZES.sum()), 3


@pytest.fixture(scope="module")
def problem():
    """Blocks of several sizes, correlated within and across kinds, readings too, and a prior."""
    rng = np.random.default_rng(11)
    design, rates = rng.normal(size=(N, P)), rng.normal(size=(N, 2))
    shared = rng.normal(size=(len(SIZES), 2, 2))
    covariances = [m @ m.T + np.eye(n) for n, m in zip(
        SIZES, (rng.normal(size=(n, n)) for n in SIZES), strict=True)]
    reading_covariance = shared @ shared.transpose(0, 2, 1) + np.eye(2)
    observations = Observations.build(
        3 * rng.normal(size=N), BLOCK, covariances, np.zeros((len(SIZES), 2)), reading_covariance)
    prior = prior_on(("first",), [0], [0.5], sd=[0.7])

    def model(x, readings):
        return Prediction(design @ x + np.sum(rates * readings[BLOCK], 1), design, rates)

    solved = adjust(model, observations, np.zeros(P), prior=prior)
    kind_of_row = np.arange(N) % 3 - 1  # every third row of no kind
    return solved, kind_of_row, np.array([2, 3]), (design, rates, covariances, reading_covariance)


def dense(problem, theta):
    """V, the design with the prior's row, and the misclosures, nothing whitened."""
    solved, kind_of_row, kind_of_reading, (design, rates, covariances, of_readings) = problem
    root = np.sqrt(np.append(theta, 1.0))
    v = np.zeros((N + 1, N + 1))
    for i, own in enumerate(covariances):
        rows = np.flatnonzero(BLOCK == i)
        d, e = np.diag(root[kind_of_row[rows]]), np.diag(root[kind_of_reading])
        v[np.ix_(rows, rows)] = d @ own @ d + rates[rows] @ e @ of_readings[i] @ e @ rates[rows].T
    v[N, N] = 0.7**2
    row = np.eye(P)[:1]
    return v, np.vstack([design, row]), np.append(solved.observations.values, 0.5)


def textbook(problem, theta):
    v, a, w = dense(problem, theta)
    inverse = np.linalg.inv(v)
    normal = a.T @ inverse @ a
    p = inverse - inverse @ a @ np.linalg.solve(normal, a.T @ inverse)
    return -(np.linalg.slogdet(v)[1] + np.linalg.slogdet(normal)[1] + w @ p @ w) / 2, p


def test_value_score_and_information(problem):
    solved, kind_of_row, kind_of_reading, _ = problem
    likelihood = RestrictedLikelihood(solved, solved.observations, kind_of_row, kind_of_reading)
    one, other = np.array([0.4, 2.0, 5.0, 0.3]), np.ones(4)
    assert likelihood.value(one) - likelihood.value(other) == pytest.approx(
        textbook(problem, one)[0] - textbook(problem, other)[0], rel=1e-9)
    slope, step = likelihood.slope(one), 1e-5 * np.eye(4)
    rises = [textbook(problem, one + d)[0] - textbook(problem, one - d)[0] for d in step]
    assert slope.score == pytest.approx(np.array(rises) / 2e-5, rel=1e-5)
    p = textbook(problem, one)[1]
    parts = [(dense(problem, one + d)[0] - dense(problem, one - d)[0]) / 2e-5 for d in step]
    expected = [[np.trace(p @ one @ p @ other) / 2 for other in parts] for one in parts]
    np.testing.assert_allclose(slope.information, expected, rtol=1e-6)
    assert slope.traces == pytest.approx([np.trace(p @ part) for part in parts], rel=1e-6)


def test_observed_information_is_the_curvature():
    """Minus the second derivatives, where V is linear in the factors."""
    rng = np.random.default_rng(3)
    observations = Observations.build(
        rng.normal(size=12), np.repeat(range(4), 3), [np.eye(3)] * 4, np.zeros((4, 1)),
        np.ones((4, 1, 1)))
    one = np.ones((12, 1))
    solved = adjust(lambda x, r: Prediction(one @ x + np.repeat(r[:, 0], 3), one, one),
                    observations, np.zeros(1))
    likelihood = RestrictedLikelihood(solved, observations, np.zeros(12, int), np.array([1]))
    theta, step = np.array([0.8, 1.7]), 1e-5 * np.eye(2)
    rates = [(likelihood.slope(theta + d).score - likelihood.slope(theta - d).score) / -2e-5
             for d in step]
    np.testing.assert_allclose(likelihood.slope(theta).observed, rates, rtol=1e-6)


def test_ends_of_an_interval_are_where_the_textbook_falls(problem):
    """At both ends of a profile the best others leave it lower by 3.84 Bartlett factors."""
    solved, kind_of_row, kind_of_reading, _ = problem
    likelihood = RestrictedLikelihood(solved, solved.observations, kind_of_row, kind_of_reading)
    best = likelihood.maximise(np.ones(4), np.ones(4, bool))
    dof = float(effective_dof(likelihood, best.theta, best.theta)[0])
    _, high = Profile(likelihood, best, 0, dof).interval()

    def held(logs):
        return -textbook(problem, np.append(high, np.exp(logs)))[0]

    lowest = minimize(held, np.log(np.maximum(best.theta[1:], 0.1)), method="Nelder-Mead",
                      options={"maxiter": 4000, "xatol": 1e-4, "fatol": 1e-7})
    fall = 2 * (textbook(problem, best.theta)[0] + lowest.fun)
    assert fall == pytest.approx(3.8415 * bartlett_factor(max(dof, 2.0)), rel=0.02)


def test_no_maximum_is_missed_from_far_off(problem):
    """From factors a million times apart the same maximum is reached."""
    solved, kind_of_row, kind_of_reading, _ = problem
    likelihood = RestrictedLikelihood(solved, solved.observations, kind_of_row, kind_of_reading)
    values = [likelihood.maximise(start, np.ones(4, bool)).value
              for start in (np.ones(4), np.array([1e3, 1e-3, 1, 1e3]), np.full(4, 1e-3),
                            np.full(4, 1e3))]
    assert values == pytest.approx([values[0]] * 4, abs=1e-4)


def test_a_value_that_a_whitener_leaves_out_is_as_if_it_were_not_there():
    """Blocks of three with their last value eliminated against blocks of two."""
    rng = np.random.default_rng(5)
    design, values = rng.normal(size=(8, 3, 2)), rng.normal(size=(8, 3))
    likelihoods = []
    for size in (3, 2):
        a, y = design[:, :size].reshape(-1, 2), values[:, :size].ravel()
        one = np.ones((len(y), 1))
        observations = Observations.build(
            y, np.repeat(range(8), size), [np.eye(size)] * 8, np.zeros((8, 1)),
            np.ones((8, 1, 1)))
        solved = adjust(lambda x, r, a=a, n=size, one=one: Prediction(
            a @ x + np.repeat(r[:, 0], n), a, one), observations, np.zeros(2))
        if size == 3:
            solved = replace(solved, linearised=without_last(solved.linearised, design, values))
        likelihoods.append(RestrictedLikelihood(
            solved, observations, np.zeros(len(y), int), np.array([1])))
    whole, part = likelihoods
    one, other = np.array([0.5, 3.0]), np.ones(2)
    assert whole.value(one) - whole.value(other) == pytest.approx(
        part.value(one) - part.value(other), rel=1e-9)
    np.testing.assert_allclose(whole.slope(one).score, part.slope(one).score, rtol=1e-8)
    np.testing.assert_allclose(whole.slope(one).information, part.slope(one).information, rtol=1e-8)


def without_last(linearised, design, values):
    """Linearised with the error of each block's last value as an unknown, eliminated."""
    g, of_prior = linearised.whiteners
    column = g[:, :, -1]
    unit = column / np.linalg.norm(column, axis=1)[:, None]
    g = g - unit[:, :, None] * (unit[:, None] @ g)
    a, w = g @ design, (g @ values[..., None]).reshape(-1)
    a = a.reshape(-1, 2)
    return replace(linearised, whiteners=(g, of_prior), whitened=a,
                   misclosure=w - a @ np.linalg.lstsq(a, w, rcond=None)[0])


def test_factors_that_cannot_be_computed_with_have_no_value(problem):
    """Many powers of ten apart, value and slope agree on whether there is one."""
    solved, kind_of_row, kind_of_reading, _ = problem
    likelihood = RestrictedLikelihood(solved, solved.observations, kind_of_row, kind_of_reading)
    rng, without = np.random.default_rng(2), 0
    for _ in range(200):
        theta = 10 ** rng.uniform(-40, 40, likelihood.kinds)
        value = likelihood.value(theta)
        if np.isfinite(value):
            assert likelihood.slope(theta).value == value
        else:
            without += 1
            with pytest.raises(ValueError, match="singular"):
                likelihood.slope(theta)
    assert 0 < without < 200
