"""Polar to rectangular: the five-sided traverse of a surveying textbook.

Source: P. R. Wolf and C. D. Ghilani, *Elementary Surveying: An Introduction to Geomatics*, chapter
"Traverse Computations" (departures, latitudes, linear misclosure of traverse ABCDE; feet). The
figures are from memory; lengths add up to the book's 2466.00, departures and latitudes to its
misclosures 0.026 and 0.077, and four of the five sides agree to the last digit, the fifth within
the rounding of its azimuth to a second. Figures recalled wrongly would not.
"""

import numpy as np
import pytest

from calib.intake.files.field_units import parse_dms
from calib.intake.geometry.polar import PolarShots, points

#: Azimuth, length, departure, latitude.
SIDES = [
    ("126 55 17", 647.25, 517.451, -388.815),
    ("178 18 58", 203.03, 5.966, -202.942),
    ("15 31 54", 720.35, 192.889, 694.045),
    ("284 35 20", 610.24, -590.565, 153.708),
    ("206 09 41", 285.13, -125.715, -255.919),
]


def radiated():
    """Each side as a level sight from the origin with the circle oriented to north."""
    azimuth = np.array([parse_dms(side[0]) for side in SIDES])
    length = np.array([side[1] for side in SIDES])
    level, none = np.full(len(SIDES), np.pi / 2), np.zeros(len(SIDES))
    shots = PolarShots(azimuth, level, length, none, np.ones(len(SIDES), bool))
    return points(shots, np.zeros(3), 0.0)


def test_departures_and_latitudes():
    """To the thousandth printed, and half a second of azimuth across the side."""
    printed = np.array([side[2:] for side in SIDES])
    allowed = 5e-4 + np.radians(0.5 / 3600) * np.array([[side[1]] for side in SIDES])
    assert (np.abs(radiated()[:, :2] - printed) < allowed).all()
    np.testing.assert_allclose(radiated()[:4, :2], printed[:4], atol=5.1e-4)


def test_linear_misclosure():
    """0.026 and 0.077: 0.08 ft, about 1 in 30,000 of 2466.00 ft."""
    east, north, up = radiated().sum(axis=0)
    assert (east, north, up) == pytest.approx((0.026, 0.077, 0.0), abs=2e-3)
    total = sum(side[1] for side in SIDES)
    assert total == pytest.approx(2466.00)
    assert total / np.hypot(east, north) == pytest.approx(30_000, rel=0.03)


def test_a_slope_gives_the_same_plan():
    """The same sides sighted 10 deg up, slope distance longer by 1/cos, give the same plan."""
    level = radiated()
    azimuth = np.array([parse_dms(side[0]) for side in SIDES])
    slope = np.array([side[1] for side in SIDES]) / np.cos(np.radians(10))
    shots = PolarShots(azimuth, np.full(5, np.radians(80)), slope, np.zeros(5), np.ones(5, bool))
    np.testing.assert_allclose(points(shots, np.zeros(3), 0.0)[:, :2], level[:, :2], atol=1e-9)
