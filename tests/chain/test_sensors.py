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
        found = ACROSS.felt(np.atleast_1d(reading), columns(up), {}).angle
        root = brentq(lambda q: inclination_of_y(up, q) - reading,  # noqa: B023
                      level_at - np.pi / 2, level_at + np.pi / 2, xtol=1e-14)
        assert found[0] == pytest.approx(root, abs=1e-12)
        assert found[0] == pytest.approx(joint, abs=1e-12)


@given(pitch=st.floats(-1.4, 1.4), roll=st.floats(-1.4, 1.4), joint=st.floats(-3, 3))
def test_in_boom_plane_against_the_axes(pitch, roll, joint):
    """The joint angle that brings the x axis to the inclination that was read."""
    up = up_of(pitch, roll)
    reading = inclination_of_x(up, joint)
    found, gain, _, _ = IN_PLANE.felt(np.atleast_1d(reading), columns(up), {})
    assert np.angle(np.exp(1j * (found[0] - joint))) == pytest.approx(0, abs=1e-12)
    assert gain == 1.0


def test_across_of_a_level_axis_is_the_joint_angle():
    """With the tilt axis level and no roll the inclination is the tilt."""
    found, gain, _, _ = ACROSS.felt(np.radians([-25.0, 0.0, 40.0]),
                                    (np.zeros(3), np.zeros(3), np.ones(3)), {})
    np.testing.assert_allclose(found, np.radians([-25, 0, 40]), atol=1e-15)
    np.testing.assert_allclose(gain, 1.0, atol=1e-12)


def test_across_of_an_inclined_axis_needs_more_tilt():
    """A tilt axis 60 degrees up: 10 degrees of inclination take 20.3 of tilt (sin 10 / cos 60)."""
    found, gain, _, _ = ACROSS.felt(np.radians([10.0]), columns(up_of(np.radians(60), 0.0)), {})
    assert np.degrees(found[0]) == pytest.approx(20.322, abs=1e-3)
    assert gain[0] == pytest.approx(np.cos(np.radians(10)) / (0.5 * np.cos(found[0])))


#: Every kind, also turned where it can be, and with other sensors where it needs them.
KINDS = [(kind, inputs | {name: np.array([0.04]) for name in kind.sensors})
         for kind in SENSOR_KINDS.values()
         for inputs in ({}, dict(zip(kind.may_use, (0.05, -0.03), strict=False)))]


@given(pitch=st.floats(-1.2, 1.2), roll=st.floats(-0.5, 0.5), joint=st.floats(-0.8, 0.8))
def test_angle_is_the_inverse_of_joint(pitch, roll, joint):
    """Both ways round for every kind, wherever the y axis has not passed the vertical."""
    up = columns(up_of(pitch, roll))
    for kind, inputs in KINDS:
        reading = kind.angle(np.atleast_1d(joint), up, inputs)
        again = kind.felt(reading, up, inputs).angle
        assert again[0] == pytest.approx(joint, abs=1e-9)


@given(reading=st.floats(-0.6, 0.6), pitch=st.floats(-0.7, 0.7), roll=st.floats(-0.5, 0.5))
def test_derivatives_of_a_sensor(reading, pitch, roll):
    """By the reading, the up vector and what else it uses, against central differences."""
    up, h = up_of(pitch, roll), 1e-6
    for kind, inputs in KINDS:
        def at(angle, vector, more, kind=kind):
            return float(np.squeeze(kind.felt(np.atleast_1d(angle), columns(vector), more).angle))

        _, gain, by_up, by_inputs = kind.felt(np.atleast_1d(reading), columns(up), inputs)
        assert np.squeeze(gain) == pytest.approx(
            (at(reading + h, up, inputs) - at(reading - h, up, inputs)) / (2 * h),
            rel=1e-7, abs=1e-9)
        slopes = by_up or (None, None, None)
        for axis, slope in zip(np.eye(3), slopes, strict=True):
            numeric = (at(reading, up + h * axis, inputs)
                       - at(reading, up - h * axis, inputs)) / (2 * h)
            analytic = 0.0 if slope is None else slope[0]
            assert analytic == pytest.approx(numeric, rel=1e-7, abs=1e-8)
        assert set(by_inputs) == set(inputs)
        for name, value in inputs.items():
            numeric = (at(reading, up, inputs | {name: value + h})
                       - at(reading, up, inputs | {name: value - h})) / (2 * h)
            assert by_inputs[name][0] == pytest.approx(numeric, rel=1e-7, abs=1e-8)


@pytest.mark.parametrize("pitch", np.radians([-50, 0, 30]))
@pytest.mark.parametrize("twist", np.radians([-3, 1.0]))
def test_a_twisted_inclinometer_against_its_own_axes(pitch, twist):
    """What it shows is how its own axes, turned about z of what it sits on, lie to the vertical."""
    roll = np.radians(5.0)
    up, joint = up_of(pitch, roll), np.radians(20.0)
    for kind, turn in ((IN_PLANE, [0.0, -joint, 0.0]), (ACROSS, [joint, 0.0, 0.0])):
        seen = (Rotation.from_rotvec(turn) * Rotation.from_rotvec([0, 0, twist])).inv().apply(up)
        expected = np.arctan2(seen[0], seen[2]) if kind is IN_PLANE else np.arcsin(seen[1])
        assert kind.angle(np.atleast_1d(joint), columns(up), {"twist": twist})[0] == pytest.approx(
            expected, abs=1e-14)


@pytest.mark.parametrize("joint", np.radians([-70, 20, 60]))
def test_what_one_axis_feels_of_another_is_a_turn(joint):
    """To first order: x of y the twist, z of y the lean against it; of y alone, nothing else."""
    up, h = up_of(0.3, 0.2), 1e-6
    seen = Rotation.from_rotvec([0.0, -joint, 0.0]).inv().apply(up)
    at = [np.arctan2(seen[0] + x * seen[1], seen[2] + z * seen[1])
          for x, z in ((h, 0), (-h, 0), (0, h), (0, -h))]
    for name, sensitivity in (("twist", at[0] - at[1]), ("lean", at[3] - at[2])):
        turned = [IN_PLANE.angle(np.atleast_1d(joint), columns(up), {name: t})[0] for t in (h, -h)]
        assert turned[0] - turned[1] == pytest.approx(sensitivity, rel=1e-8)
    # Apart where the member lies level and where it stands upright.
    assert abs((at[0] - at[1]) / (at[2] - at[3])) != pytest.approx(1.0, abs=0.1)


def test_a_twist_shows_only_where_the_house_rolls():
    """Turned by a degree: nothing on level ground, 0.087 deg (1 deg times sin 5) at a roll of 5."""
    for roll, off in ((0.0, 0.0), (5.0, np.degrees(np.sin(np.radians(5)) * np.sin(np.radians(1))))):
        up = columns(up_of(0.0, np.radians(roll)))
        shown = [IN_PLANE.angle(np.zeros(1), up, inputs)[0]
                 for inputs in ({}, {"twist": np.radians(1.0)})]
        assert np.degrees(shown[1] - shown[0]) == pytest.approx(off, rel=0.01, abs=1e-12)


@pytest.mark.parametrize(("inclination", "blind"), [(70, False), (75, False), (76, True),
                                                    (89, True), (90, True)])
def test_blind_zone_begins_at_a_gain_of_four(inclination, blind):
    """A tilt axis 75.5 degrees up turns a small error of the reading into one four times as large.
    """
    gain = ACROSS.felt(np.zeros(1), columns(up_of(np.radians(inclination), 0.0)), {}).by_angle
    assert (abs(gain[0]) > BLIND_GAIN) == blind
    assert gain[0] >= 1 / np.cos(np.radians(inclination)) * (1 - 1e-9) or inclination == 90


@pytest.mark.parametrize("reading", [40.0, 60.0, 89.0, 89.99999, 90.0, -90.0, 135.0])
def test_a_reading_the_axis_cannot_give_is_blind(reading):
    """A tilt axis 60 degrees up never inclines the y axis by more than 30."""
    found, gain, by_up, _ = ACROSS.felt(np.radians([reading]),
                                        columns(up_of(np.radians(60), 0.0)), {})
    assert np.isfinite(found).all() and np.isfinite(gain).all()
    assert np.isfinite(by_up[1]).all() and np.isfinite(by_up[2]).all()
    assert abs(gain[0]) > BLIND_GAIN


@given(reading=angles, pitch=angles, roll=angles)
def test_never_a_nan(reading, pitch, roll):
    """Any reading in any attitude gives finite numbers, blind or not."""
    up = columns(up_of(pitch, roll))
    for kind, inputs in KINDS:
        joint, gain, by_up, by_inputs = kind.felt(np.atleast_1d(reading), up, inputs)
        parts = [joint, gain, *(d for d in by_up or () if d is not None), *by_inputs.values(),
                 kind.angle(np.atleast_1d(reading), up, inputs)]
        assert all(np.isfinite(part).all() for part in parts)


@pytest.mark.parametrize("up", [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0),
                                (-1.0, 0.0, 0.0), (0.0, 0.0, -1.0)])
def test_never_a_nan_with_an_axis_exactly_vertical(up):
    """The formulas have a zero there; the numbers stay finite."""
    for kind, inputs in KINDS:
        for reading in (-np.pi / 2, 0.0, 1e-300, np.pi / 2):
            joint, gain, by_up, by_inputs = kind.felt(np.atleast_1d(reading), columns(up), inputs)
            parts = [joint, gain, *(d for d in by_up or () if d is not None), *by_inputs.values()]
            assert all(np.isfinite(part).all() for part in parts)
