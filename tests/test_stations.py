"""Set-ups of total stations as pseudo-observations: geometry, derivatives, covariance."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calib import stations
from calib.run.records import SetUps
from tests.adjust.priors import prior_on

#: Unknowns that come before the corrections.
BEFORE = 5


@pytest.fixture
def set_ups():
    """Two set-ups, one half measured beforehand; three sights, two of them to one point."""
    rng = np.random.default_rng(3)
    sd = np.array([[0.002, np.nan, 0.003, np.nan], [np.nan, 0.004, np.nan, 0.0005]])
    roots = rng.normal(size=(3, 3, 3)) * 1e-3
    return SetUps(
        ids=("A", "B"), position=rng.normal(0, 20, (2, 3)), orientation=rng.uniform(0, 6, 2),
        sd=sd, sight_setup=np.array([0, 1, 1]), sight_point=("P", "P", "Q"),
        sight=rng.normal(0, 30, (3, 3)),
        sight_covariance=roots @ roots.transpose(0, 2, 1) + 1e-6 * np.eye(3),
        known=rng.normal(0, 30, (3, 3)),
        known_sd=np.array([[0.003, 0.002, 0.001], [0.003, 0.002, 0.001], [0.004, 0.005, 0.0]]))


def test_points_turn_about_the_instrument(set_ups):
    """A set-up that is shifted and turned, against scipy's rotation; one shot has no set-up."""
    rng = np.random.default_rng(4)
    points, corrections = rng.normal(0, 30, (4, 3)), rng.normal(0, 0.1, (2, 4))
    which = np.array([0, 1, -1, 1])
    seen = stations.seen(points, which, set_ups, corrections)
    for i, k in enumerate(which):
        if k < 0:
            np.testing.assert_array_equal(seen.position[i], points[i])
            continue
        shift, turn = corrections[k, :3], corrections[k, 3]
        back = Rotation.from_euler("z", turn)  # clockwise by t the set-up, so back by t the point
        origin = set_ups.position[k]
        np.testing.assert_allclose(
            seen.position[i], origin + back.apply(points[i] - origin - shift), atol=1e-12)


def test_derivatives_of_what_is_seen(set_ups):
    """By point and by correction, against central differences."""
    rng = np.random.default_rng(5)
    points, corrections = rng.normal(0, 30, (3, 3)), rng.normal(0, 0.1, (2, 4))
    which = np.array([0, 1, -1])
    seen = stations.seen(points, which, set_ups, corrections)
    for i in range(3):
        for c in range(3):
            step = np.zeros((3, 3))
            step[i, c] = 1e-6
            ends = [stations.seen(points + s * step, which, set_ups, corrections).position[i]
                    for s in (1, -1)]
            np.testing.assert_allclose(seen.by_point[i, :, c], (ends[0] - ends[1]) / 2e-6,
                                       atol=1e-8)
        for c in range(4):
            step = np.zeros((2, 4))
            step[:, c] = 1e-6
            ends = [stations.seen(points, which, set_ups, corrections + s * step).position[i]
                    for s in (1, -1)]
            np.testing.assert_allclose(seen.by_corrections[i, :, c],
                                       (ends[0] - ends[1]) / 2e-6, atol=1e-7)


def test_prior_values_and_covariance(set_ups):
    """Four measured corrections, nine coordinates of sights; a known point's error is shared."""
    prior = stations.prior_of(set_ups, BEFORE + np.arange(8).reshape(2, 4))
    assert prior.names[:4] == ("east of set-up A", "up of set-up A", "north of set-up B",
                               "orientation of set-up B")
    assert prior.names[4] == "east of P seen from set-up A"
    np.testing.assert_array_equal(prior.values, [0, 0, 0, 0, *set_ups.sight.ravel()])
    expected = np.zeros((13, 13))
    expected[:4, :4] = np.diag([0.002**2, 0.003**2, 0.004**2, 0.0005**2])
    for i in range(3):
        own = slice(4 + 3 * i, 7 + 3 * i)
        expected[own, own] = set_ups.sight_covariance[i] + np.diag(set_ups.known_sd[i] ** 2)
    expected[4:7, 7:10] = expected[7:10, 4:7] = np.diag([0.003**2, 0.002**2, 0.001**2])
    np.testing.assert_allclose(prior.covariance, expected, rtol=1e-12)


def test_prior_function_and_its_derivatives(set_ups):
    """Computed values are the corrections and the known points as they show; rates by steps."""
    prior = stations.prior_of(set_ups, BEFORE + np.arange(8).reshape(2, 4))
    unknowns = np.random.default_rng(6).normal(0, 0.1, BEFORE + 8)
    values, rates = prior.function(unknowns)
    corrections = unknowns[BEFORE:].reshape(2, 4)
    np.testing.assert_array_equal(
        values[:4], [corrections[0, 0], corrections[0, 2], corrections[1, 1], corrections[1, 3]])
    shown = stations.seen(set_ups.known, set_ups.sight_setup, set_ups, corrections)
    np.testing.assert_array_equal(values[4:], shown.position.ravel())
    for column in range(len(unknowns)):
        step = np.zeros(len(unknowns))
        step[column] = 1e-6
        ends = [prior.function(unknowns + s * step)[0] for s in (1, -1)]
        np.testing.assert_allclose(rates[:, column], (ends[0] - ends[1]) / 2e-6, atol=1e-7)


def test_priors_join_without_correlation(set_ups):
    """Values, covariances and derivatives one below the other."""
    one = stations.prior_of(set_ups, BEFORE + np.arange(8).reshape(2, 4))
    two = prior_on(["x"], [1], [0.5], sd=[0.1])
    both = stations.joined(two, one)
    assert both.names == ("x", *one.names)
    np.testing.assert_array_equal(both.values, [0.5, *one.values])
    np.testing.assert_allclose(both.covariance[0], [0.01, *np.zeros(13)])
    np.testing.assert_array_equal(both.covariance[1:, 1:], one.covariance)
    unknowns = np.arange(BEFORE + 8.0) / 100
    assert both.function(unknowns)[0][0] == 0.01
    np.testing.assert_array_equal(both.function(unknowns)[1][1:], one.function(unknowns)[1])


def test_without_set_ups_there_is_nothing():
    """No prior."""
    assert len(stations.prior_of(None, np.zeros((0, 4), int)).values) == 0
