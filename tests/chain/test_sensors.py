"""Sensors against a separate numerical solution of what they measure."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from calib.chain.sensors import BLIND_GAIN, SENSOR_KINDS

ACROSS, IN_PLANE = SENSOR_KINDS["across"], SENSOR_KINDS["in_boom_plane"]

angles = st.floats(-np.pi, np.pi)


def up_of(pitch, roll, turn=0.0):
    """The up vector seen from a member with its nose up by `pitch` and its left side by `roll`."""
    member = Rotation.from_euler("ZYX", [turn, -pitch, roll])
    return member.inv().apply([0.0, 0.0, 1.0])


def columns(up):
    """As the sensors take it: three arrays of one value."""
    return tuple(np.atleast_1d(c) for c in up)


def inclination_of_y(up, joint):
    """How far the y axis is above the horizontal once turned about x by `joint`."""
    y_axis = Rotation.from_rotvec([joint, 0.0, 0.0]).apply([0.0, 1.0, 0.0])
    return np.arcsin(np.clip(y_axis @ up, -1, 1))


def inclination_of_x(up, joint):
    """Of the x axis turned nose up by `joint` about -y, in the plane normal to y."""
    x_axis = Rotation.from_rotvec([0.0, -joint, 0.0]).apply([1.0, 0.0, 0.0])
    vertical = np.array([up[0], 0.0, up[2]]) / np.hypot(up[0], up[2])
    level = np.cross([0.0, 1.0, 0.0], vertical)
    return np.arctan2(x_axis @ vertical, x_axis @ level)


@pytest.mark.parametrize("pitch", np.radians([-60, -20, 0, 1e-7, 5, 40, 70]))
@pytest.mark.parametrize("roll", np.radians([-30, -3, 0, 1e-7, 10]))
def test_across_against_a_root_finder(pitch, roll):
    """The joint angle at which the y axis has the inclination that was read."""
    up = up_of(pitch, roll)
    level_at = -np.arctan2(up[1], up[2])
    for joint in level_at + np.radians([-70, -35, -1e-6, 0.0, 12, 60]):
        reading = inclination_of_y(up, joint)
        found, _, _ = ACROSS.joint(np.atleast_1d(reading), columns(up))
        root = brentq(lambda q: inclination_of_y(up, q) - reading,  # noqa: B023
                      level_at - np.pi / 2, level_at + np.pi / 2, xtol=1e-14)
        assert found[0] == pytest.approx(root, abs=1e-12)
        assert found[0] == pytest.approx(joint, abs=1e-12)


@given(pitch=st.floats(-1.4, 1.4), roll=st.floats(-1.4, 1.4), joint=st.floats(-3, 3))
def test_in_boom_plane_against_the_axes(pitch, roll, joint):
    """The joint angle that brings the x axis to the inclination that was read."""
    up = up_of(pitch, roll)
    reading = inclination_of_x(up, joint)
    found, gain, _ = IN_PLANE.joint(np.atleast_1d(reading), columns(up))
    assert np.angle(np.exp(1j * (found[0] - joint))) == pytest.approx(0, abs=1e-12)
    assert gain == 1.0


def test_across_of_a_level_axis_is_the_joint_angle():
    """With the tilt axis level and no roll the inclination is the tilt."""
    found, gain, _ = ACROSS.joint(np.radians([-25.0, 0.0, 40.0]),
                                  (np.zeros(3), np.zeros(3), np.ones(3)))
    np.testing.assert_allclose(found, np.radians([-25, 0, 40]), atol=1e-15)
    np.testing.assert_allclose(gain, 1.0, atol=1e-12)


def test_across_of_an_inclined_axis_needs_more_tilt():
    """A tilt axis 60 degrees up: 10 degrees of inclination take 20.3 of tilt (sin 10 / cos 60)."""
    found, gain, _ = ACROSS.joint(np.radians([10.0]), columns(up_of(np.radians(60), 0.0)))
    assert np.degrees(found[0]) == pytest.approx(20.322, abs=1e-3)
    assert gain[0] == pytest.approx(np.cos(np.radians(10)) / (0.5 * np.cos(found[0])))


@given(pitch=st.floats(-1.2, 1.2), roll=st.floats(-0.5, 0.5), joint=st.floats(-0.8, 0.8))
def test_angle_is_the_inverse_of_joint(pitch, roll, joint):
    """Both ways round for every kind, wherever the y axis has not passed the vertical."""
    up = columns(up_of(pitch, roll))
    for kind in SENSOR_KINDS.values():
        reading = kind.angle(np.atleast_1d(joint), up)
        again, _, _ = kind.joint(reading, up)
        assert again[0] == pytest.approx(joint, abs=1e-9)


@given(reading=st.floats(-0.6, 0.6), pitch=st.floats(-0.7, 0.7), roll=st.floats(-0.5, 0.5))
def test_derivatives_of_a_sensor(reading, pitch, roll):
    """Gain and derivative by the up vector, against central differences."""
    up, h = up_of(pitch, roll), 1e-6
    for kind in SENSOR_KINDS.values():
        def at(angle, vector, kind=kind):
            return float(np.squeeze(kind.joint(np.atleast_1d(angle), columns(vector))[0]))

        _, gain, by_up = kind.joint(np.atleast_1d(reading), columns(up))
        assert np.squeeze(gain) == pytest.approx((at(reading + h, up) - at(reading - h, up))
                                                 / (2 * h), rel=1e-7, abs=1e-9)
        slopes = by_up or (None, None, None)
        for axis, slope in zip(np.eye(3), slopes, strict=True):
            numeric = (at(reading, up + h * axis) - at(reading, up - h * axis)) / (2 * h)
            analytic = 0.0 if slope is None else slope[0]
            assert analytic == pytest.approx(numeric, rel=1e-7, abs=1e-8)


@pytest.mark.parametrize(("inclination", "blind"), [(70, False), (75, False), (76, True),
                                                    (89, True), (90, True)])
def test_blind_zone_begins_at_a_gain_of_four(inclination, blind):
    """A tilt axis 75.5 degrees up turns a small error of the reading into one four times as large.
    """
    _, gain, _ = ACROSS.joint(np.zeros(1), columns(up_of(np.radians(inclination), 0.0)))
    assert (abs(gain[0]) > BLIND_GAIN) == blind
    assert gain[0] >= 1 / np.cos(np.radians(inclination)) * (1 - 1e-9) or inclination == 90


@pytest.mark.parametrize("reading", [40.0, 60.0, 89.0, 89.99999, 90.0, -90.0, 135.0])
def test_a_reading_the_axis_cannot_give_is_blind(reading):
    """A tilt axis 60 degrees up never inclines the y axis by more than 30."""
    found, gain, by_up = ACROSS.joint(np.radians([reading]),
                                      columns(up_of(np.radians(60), 0.0)))
    assert np.isfinite(found).all() and np.isfinite(gain).all()
    assert np.isfinite(by_up[1]).all() and np.isfinite(by_up[2]).all()
    assert abs(gain[0]) > BLIND_GAIN


@given(reading=angles, pitch=angles, roll=angles)
def test_never_a_nan(reading, pitch, roll):
    """Any reading in any attitude gives finite numbers, blind or not."""
    up = columns(up_of(pitch, roll))
    for kind in SENSOR_KINDS.values():
        joint, gain, by_up = kind.joint(np.atleast_1d(reading), up)
        parts = [joint, gain, *(d for d in by_up or () if d is not None),
                 kind.angle(np.atleast_1d(reading), up)]
        assert all(np.isfinite(part).all() for part in parts)


@pytest.mark.parametrize("up", [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0),
                                (-1.0, 0.0, 0.0), (0.0, 0.0, -1.0)])
def test_never_a_nan_with_an_axis_exactly_vertical(up):
    """The formulas have a zero there; the numbers stay finite."""
    for kind in SENSOR_KINDS.values():
        for reading in (-np.pi / 2, 0.0, 1e-300, np.pi / 2):
            joint, gain, by_up = kind.joint(np.atleast_1d(reading), columns(up))
            parts = [joint, gain, *(d for d in by_up or () if d is not None)]
            assert all(np.isfinite(part).all() for part in parts)
