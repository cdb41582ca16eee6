"""Many rows reduced to a triangle: the same answers as from all of them at once."""

import numpy as np
import pytest

from calib.adjust import mixed_model
from calib.adjust.linearised import residual
from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.adjust.reliability import reliability
from calib.adjust.spectrum import Spectrum
from calib.adjust.tall import MANY, Tall
from tests.adjust.priors import prior_on


@pytest.fixture
def rng():
    return np.random.default_rng(5)


def test_of_a_matrix(rng):
    """R, Q' of a vector, Q of a matrix, and the length of what Q does not reach."""
    j, h = rng.normal(size=(5000, 6)), rng.normal(size=(3, 6))
    whole, vector = np.vstack([j, h]), rng.normal(size=5003)
    tall = Tall.of(j, h)
    q, r = np.linalg.qr(whole)
    sign = np.sign(np.diag(r)) * np.sign(np.diag(tall.triangle))
    np.testing.assert_allclose(tall.triangle, r * sign[:, None], atol=1e-12)
    np.testing.assert_allclose(tall.lower(vector), sign * (q.T @ vector), atol=1e-12)
    np.testing.assert_allclose(tall.lift(np.eye(6)), q * sign, atol=1e-14)
    left_over = vector - q @ (q.T @ vector)
    assert residual(tall, vector)[-1] == pytest.approx(np.linalg.norm(left_over), rel=1e-12)


def test_spectrum_is_that_of_all_rows(rng):
    """Also of columns of very different length, and of a deficient matrix."""
    j = rng.normal(size=(3000, 5)) * [1e-6, 1.0, 1e5, 1.0, 3.0]
    one, other = Spectrum.of(j), Spectrum.of(Tall.of(j, np.zeros((0, 5))))
    np.testing.assert_allclose(other.singular, one.singular, rtol=1e-12)
    np.testing.assert_allclose(other.covariance(), one.covariance(), rtol=1e-10)
    np.testing.assert_allclose(other.left @ other.left.T @ j, j, rtol=1e-9, atol=1e-9)
    j[:, 3] = j[:, 4]
    assert Spectrum.of(Tall.of(j, np.zeros((0, 5)))).rank == 4


def line(parameters, readings):
    """y = a + b sin l + c l^2, a reading per observation."""
    a, b, c = parameters
    x = readings[:, 0]
    by_parameters = np.column_stack([np.ones(len(x)), np.sin(x), x**2])
    return Prediction(a + b * np.sin(x) + c * x**2, by_parameters,
                      (b * np.cos(x) + 2 * c * x)[:, None])


def test_adjustment_does_not_depend_on_the_way(rng, monkeypatch):
    """The same estimates, sds and redundancy numbers, reduced and not."""
    n = MANY + 500
    x, true = rng.uniform(-2, 2, n), np.array([1.0, 2.0, -0.5])
    y = line(true, x[:, None]).values + 0.05 * rng.normal(size=n)
    observations = Observations.build(
        y, np.arange(n), [np.array([[0.0025]])] * n, (x + 0.02 * rng.normal(size=n))[:, None],
        np.full((n, 1, 1), 4e-4))
    prior = prior_on(["a"], [0], [1.0], [0.1])
    solved = []
    for many in (MANY, 10**9):
        monkeypatch.setattr(mixed_model, "MANY", many)
        monkeypatch.setattr("calib.adjust.linearised.MANY", many)
        solved.append(adjust(line, observations, np.array([0.5, 1.0, 0.0]), prior=prior))
    one, other = solved
    assert one.linearised.spectrum.compressed is not None
    assert other.linearised.spectrum.compressed is None
    np.testing.assert_allclose(one.parameters, other.parameters, rtol=1e-10)
    np.testing.assert_allclose(one.covariance, other.covariance, rtol=1e-8)
    for of, name in (("observations", "redundancy"), ("observations", "w"), ("readings", "mdb"),
                     ("priors", "w")):
        np.testing.assert_allclose(*(getattr(getattr(reliability(solution), of), name)
                                     for solution in solved), rtol=1e-6)
    assert np.abs(one.parameters - true).max() < 5 * one.sd.max()
