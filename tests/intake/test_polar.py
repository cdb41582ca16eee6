"""Polar shots to points: against `uncertainties`, central differences and Monte Carlo."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import covariance_matrix, ufloat, umath

from calib.intake.geometry.faces import disagreeing, face_means
from calib.intake.geometry.polar import (
    InstrumentSds,
    PolarShots,
    jacobian,
    points,
    shot_covariance,
)
from calib.intake.geometry.pooling import pool
from tests.intake.one_station import set_up_jacobian

SDS = InstrumentSds(
    direction=np.radians(5 / 3600), zenith=np.radians(7 / 3600), distance=0.002, distance_ppm=2.0,
    centring=0.0015, pointing=0.001, target_height=0.0012,
)
STATION = np.array([500.0, 1000.0, 30.0])
DIRECTION = st.floats(0.0, 2 * np.pi)
ZENITH = st.floats(0.2, np.pi - 0.2)
DISTANCE = st.floats(1.0, 200.0)


def shots(direction, zenith, distance, height=1.3, both=True):
    """One pointing."""
    return PolarShots(*(np.array([v]) for v in (direction, zenith, distance, height, both)))


@given(DIRECTION, ZENITH, DISTANCE, st.booleans())
def test_covariance_against_uncertainties(direction, zenith, distance, both):
    """The 3x3 covariance is that of `uncertainties` with every error carried as a number."""
    face = 1.0 if both else np.sqrt(2.0)
    bearing = ufloat(direction, face * SDS.direction) + 0.4
    z = ufloat(zenith, face * SDS.zenith)
    s = ufloat(distance, SDS.distance + SDS.distance_ppm * 1e-6 * distance)
    height = ufloat(1.3, SDS.target_height)
    centred = [ufloat(0, SDS.centring), ufloat(0, SDS.centring)]
    pointed = [ufloat(0, SDS.pointing) for _ in range(3)]
    level = s * umath.sin(z)
    numbers = [
        500.0 + level * umath.sin(bearing) + centred[0] + pointed[0],
        1000.0 + level * umath.cos(bearing) + centred[1] + pointed[1],
        30.0 + s * umath.cos(z) - height + pointed[2],
    ]
    shot = shots(direction, zenith, distance, both=both)
    np.testing.assert_allclose(points(shot, STATION, 0.4)[0], [n.n for n in numbers], atol=1e-9)
    expected = np.array(covariance_matrix(numbers))
    np.testing.assert_allclose(shot_covariance(shot, 0.4, SDS)[0], expected,
                               rtol=1e-9, atol=1e-14)


@given(DIRECTION, ZENITH, DISTANCE)
def test_jacobian_against_central_differences(direction, zenith, distance):
    """Each column is the central difference of the position, to 1e-6 of its size."""
    values = np.array([direction, zenith, distance, 1.3])
    computed = jacobian(shots(*values), 0.4)[0]
    for i, step in enumerate((1e-6, 1e-6, 1e-4, 1e-4)):
        high, low = values.copy(), values.copy()
        high[i] += step
        low[i] -= step
        difference = points(shots(*high), STATION, 0.4) - points(shots(*low), STATION, 0.4)
        np.testing.assert_allclose(computed[:, i], difference[0] / (2 * step),
                                   atol=2e-6 * max(distance, 1.0))


def test_covariance_against_monte_carlo():
    """200,000 drawn pointings scatter as the covariance says, element by element."""
    rng, n = np.random.default_rng(1), 200_000
    value = np.array([1.1, 1.3, 25.0, 1.3])
    sd = [SDS.direction, SDS.zenith, SDS.distance + 2e-6 * 25.0, SDS.target_height]
    drawn = PolarShots(*(v + s * rng.normal(size=n) for v, s in zip(value, sd, strict=True)),
                       np.ones(n, bool))
    scatter = points(drawn, STATION, 0.4) + SDS.pointing * rng.normal(size=(n, 3))
    scatter[:, :2] += SDS.centring * rng.normal(size=(n, 2))
    found = np.cov(scatter.T)
    stated = shot_covariance(shots(*value), 0.4, SDS)[0]
    size = np.sqrt(np.diag(stated))
    # The sampling sd of a correlation element is about 1 / sqrt(n); 5 sd allowed.
    np.testing.assert_allclose(found / np.outer(size, size), stated / np.outer(size, size),
                               atol=5 * np.sqrt(2 / n))


def test_shots_of_one_set_up_are_correlated_by_it():
    """Monte Carlo over set-ups: the covariance between two shots is what the set-up makes."""
    rng, n = np.random.default_rng(2), 100_000
    pair = PolarShots(np.array([0.3, 2.0]), np.array([1.4, 1.7]), np.array([20.0, 14.0]),
                      np.zeros(2), np.ones(2, bool))
    sd = np.array([0.003, 0.004, 0.002, np.radians(20 / 3600)])
    at = points(pair, STATION, 0.4)
    by_set_up = set_up_jacobian(at, STATION).reshape(-1, 4)
    stated = by_set_up @ np.diag(sd**2) @ by_set_up.T
    moved = rng.normal(size=(n, 4)) * sd
    bearing = pair.direction + 0.4 + moved[:, 3:]
    level = pair.distance * np.sin(pair.zenith)
    drawn = np.stack([
        moved[:, :1] + level * np.sin(bearing), moved[:, 1:2] + level * np.cos(bearing),
        moved[:, 2:3] + pair.distance * np.cos(pair.zenith) + 0 * bearing], axis=-1)
    found = np.cov(drawn.reshape(n, 6).T)
    size = np.sqrt(np.diag(stated))
    np.testing.assert_allclose(found / np.outer(size, size), stated / np.outer(size, size),
                               atol=5 * np.sqrt(2 / n))


def test_set_up_jacobian_turns_clockwise():
    """A larger orientation carries a point north of the station to the east."""
    north_of_it = STATION + np.array([0.0, 10.0, 0.0])
    assert set_up_jacobian(north_of_it[None], STATION)[0, :, 3].tolist() == [10.0, 0.0, 0.0]


def test_sd_of_distance_is_the_sum_as_the_sheets_state_it():
    """2 mm + 2 ppm at 500 m, straight ahead, is 3 mm along the sight."""
    sds = InstrumentSds(1e-9, 1e-9, 0.002, 2.0)
    covariance = shot_covariance(shots(0.0, np.pi / 2, 500.0, 0.0), 0.0, sds)[0]
    assert np.sqrt(covariance[1, 1]) == pytest.approx(0.003, rel=1e-6)


@given(DIRECTION, ZENITH, st.floats(-1e-3, 1e-3), st.floats(-1e-3, 1e-3))
def test_both_faces_take_collimation_and_index_out(direction, zenith, collimation, index):
    """Face means give the true direction and zenith back, and the two errors."""
    # Collimation falls out of the mean as an angle on the circle.
    means = face_means(
        np.array([direction - collimation]), np.array([zenith + index]),
        np.mod([direction + np.pi + collimation], 2 * np.pi),
        np.array([2 * np.pi - zenith + index]))
    assert abs(np.sin(means.direction[0] - direction)) < 1e-9
    assert np.cos(means.direction[0] - direction) > 0
    assert means.zenith[0] == pytest.approx(zenith, abs=1e-12)
    assert means.collimation[0] == pytest.approx(collimation, abs=1e-9)
    assert means.index[0] == pytest.approx(index, abs=1e-12)


def test_faces_that_disagree_are_accused_at_the_stated_rate():
    """One good pointing in a thousand is accused; one 10 sd off always is."""
    rng, sd = np.random.default_rng(3), 2e-5
    good = sd * rng.normal(size=(20_000, 8)) + 1e-4
    accused = np.mean([disagreeing(row, sd) for row in good])
    assert accused == pytest.approx(0.001, abs=0.0003)
    row = good[0].copy()
    row[3] += 10 * sd
    assert disagreeing(row, sd).tolist() == [i == 3 for i in range(8)]


def test_pooling_agrees_at_the_stated_rate():
    """Scatter as stated is refused at the rate asked for; the mean's covariance is true."""
    rng = np.random.default_rng(4)
    factor = np.array([[2.0, 0, 0], [1.0, 1.5, 0], [0.3, -0.4, 1.0]]) * 1e-3
    covariance = np.tile(factor @ factor.T, (3, 1, 1))
    pools = [pool(rng.normal(size=(3, 3)) @ factor.T, covariance, 0.05) for _ in range(5000)]
    assert np.mean([p.agrees for p in pools]) == pytest.approx(0.95, abs=0.01)
    means = np.array([p.position for p in pools])
    squares = np.einsum("ni,ij,nj->n", means, np.linalg.inv(pools[0].covariance), means)
    assert squares.mean() == pytest.approx(3.0, abs=3 * np.sqrt(6 / 5000))
    assert np.mean([p.chi2 for p in pools]) == pytest.approx(6.0, abs=3 * np.sqrt(12 / 5000))


def test_pooling_sees_a_moved_target():
    """A third shot 14 mm off, at 2 mm sds, does not pass, and the spread says how far."""
    position = np.array([[0.0, 0, 0], [0.001, 0, 0], [0.014, 0, 0]])
    found = pool(position, np.tile(np.eye(3) * 4e-6, (3, 1, 1)))
    assert not found.agrees
    assert found.spread == pytest.approx(0.009, abs=1e-6)


@pytest.mark.parametrize(("sd", "length", "millimetres"), [
    (np.radians(5 / 3600), 20.0, 0.485), (np.pi / 200000, 20.0, 0.314),
    (np.radians(0.1), 9.0, 15.7),
])
def test_what_an_angle_is_across(sd, length, millimetres):
    """An angle's sd across the sight: 5 arcsec and 1 mgon at 20 m, 0.1 deg on 9 m."""
    sds = InstrumentSds(sd, 1e-12, 1e-12)
    covariance = shot_covariance(shots(0.0, np.pi / 2, length, 0.0), 0.0, sds)[0]
    assert 1000 * np.sqrt(covariance[0, 0]) == pytest.approx(millimetres, rel=2e-3)
