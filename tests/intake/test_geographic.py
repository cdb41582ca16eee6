"""Latitude, longitude, height to east, north, up: against pyproj; and the combined factor."""

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.intake.geometry.geographic import (
    geocentric,
    grid_to_ground,
    scale_effect,
    to_local,
)


@settings(max_examples=60, deadline=None)
@given(st.floats(-80, 80), st.floats(-179, 179), st.floats(-100, 3000), st.integers(0, 2**31))
def test_local_coordinates_against_pyproj(latitude, longitude, height, seed):
    """Within 0.1 mm (in fact 1e-6 m) of pyproj's topocentric pipeline over 200 m."""
    rng = np.random.default_rng(seed)
    pipeline = pyproj.Transformer.from_pipeline(
        "+proj=pipeline +step +proj=cart +ellps=WGS84 +step +proj=topocentric +ellps=WGS84 "
        f"+lat_0={latitude!r} +lon_0={longitude!r} +h_0={height!r}")
    spread = 200 / 6.4e6 / np.cos(np.radians(latitude))
    there = np.column_stack([
        np.radians(latitude) + rng.uniform(-1, 1, 20) * 200 / 6.4e6,
        np.radians(longitude) + rng.uniform(-1, 1, 20) * spread,
        height + rng.uniform(-20, 20, 20)])
    east, north, up = pipeline.transform(
        np.degrees(there[:, 1]), np.degrees(there[:, 0]), there[:, 2])
    origin = np.array([np.radians(latitude), np.radians(longitude), height])
    found = to_local(there, origin)
    assert np.linalg.norm(found[:, :2], axis=1).max() > 50
    np.testing.assert_allclose(found, np.column_stack([east, north, up]), atol=1e-6)


def test_geocentric_against_pyproj():
    """To a nanometre or so."""
    where = np.array([[0.9, 0.2, 120.0], [-0.4, 2.9, -30.0]])
    to = pyproj.Transformer.from_pipeline("+proj=cart +ellps=WGS84")
    expected = np.column_stack(to.transform(
        np.degrees(where[:, 1]), np.degrees(where[:, 0]), where[:, 2]))
    np.testing.assert_allclose(geocentric(where), expected, atol=1e-7)


def test_flat_earth_would_be_seen():
    """The tolerance can fail: east = R cos(lat) dlon on a sphere is off by more than 0.1 mm."""
    origin = np.array([0.9, 0.2, 100.0])
    there = origin + np.array([2e-5, 3e-5, 0.0])
    sphere = 6.371e6 * np.array([np.cos(0.9) * 3e-5, 2e-5])
    assert np.abs(to_local(there[None], origin)[0, :2] - sphere).max() > 0.1e-3


def test_curved_earth_is_in_the_height():
    """A point 200 m away at the same ellipsoidal height lies 3 mm lower."""
    origin = np.array([0.9, 0.2, 100.0])
    found = to_local((origin + np.array([200 / 6.38e6, 0.0, 0.0]))[None], origin)[0]
    assert found[2] == pytest.approx(-0.0031, abs=1e-4)


def test_ground_distance_is_grid_distance_over_the_factor():
    """UTM's 0.9996: 12 m on the grid are 12.0048 m on the ground; heights stay."""
    grid = np.array([[500000.0, 6200000.0, 10.0], [500012.0, 6200000.0, 11.0]])
    ground = grid_to_ground(grid, 0.9996, grid[0, :2])
    assert ground[0].tolist() == grid[0].tolist()
    assert ground[1, 0] - ground[0, 0] == pytest.approx(12.0 / 0.9996, abs=1e-9)
    assert ground[1, 2] == 11.0
    assert scale_effect(0.9996) == pytest.approx(0.0048, abs=1e-5)
