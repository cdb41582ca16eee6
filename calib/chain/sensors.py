"""How a sensor's calibrated angle becomes the angle of what it sits on, given where up is.

Every kind is a pair of functions of the unit up vector expressed in the frame just before the
joint, so that one rule serves any rig: the inclination of the member before is not looked up in
another sensor, it is what the up vector says.

=====================  ===========================================================================
kind                   the calibrated angle is
=====================  ===========================================================================
``joint``              the angle itself (encoder, or the two axes of the house sensor)
``stroke``             a length, m: what a cylinder has pushed out and what it measures closed
``slew``               how far the house is turned about its swing axis, its z axis; the joint is
                       about the vertical, before pitch and roll
``in_boom_plane``      inclination of the x axis, measured in the plane normal to y
``across``             inclination of the y axis above the horizontal
=====================  ===========================================================================

An inclinometer that is turned by its `twist` about the z axis of what it sits on measures along
an x axis (across: a y axis) turned so, one in the boom plane that is turned by its `lean` about the
x axis, against a z axis turned so: level machines do not show it, a house that rolls does. What an
axis feels of another one, its cross-axis sensitivity, is to first order the same as such a turn: x
of y the twist, z of y the lean, y of x the twist, y of z and x of z the zero.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

#: Above this gain (change of the joint angle over change of the reading) a sensor counts as blind.
BLIND_GAIN = 4.0

# Keeps the formulas finite inside the blind zone, so that a solver passing through sees numbers;
# poses that end there are reported by their gain.
_SMALLEST_LEVER = 1e-9
_LARGEST_SINE = 1.0 - 1e-12
_ROUNDING = 1e-9

#: The up vector by its components in the frame before the joint, each of shape (n,).
Up = tuple[np.ndarray, np.ndarray, np.ndarray]
#: In every pose, shape (n,), or the same in all.
Number = float | np.ndarray
#: What else a formula needs, by name, m or rad.
Inputs = Mapping[str, Number]


class Felt(NamedTuple):
    """An angle, shape (n,), rad, and its derivatives."""

    angle: np.ndarray
    by_angle: Number  #: Shape (n,), or float. By the calibrated angle.
    #: One entry per component of the up vector, None for one that does not matter; None as a whole
    #: for a sensor that does not feel gravity.
    by_up: tuple[np.ndarray | None, ...] | None
    by_inputs: Mapping[str, Number]  #: Shape (n,), or float.


@dataclass(frozen=True)
class SensorKind:
    """The two directions of one kind of sensor."""

    #: ``felt(angle, up, inputs) -> Felt`` from the calibrated angle, shape (n,), rad.
    felt: Callable[[np.ndarray, Up, Inputs], Felt]
    #: The inverse, ``angle(q, up, inputs) -> angle``, shape (n,), rad.
    angle: Callable[[np.ndarray, Up, Inputs], np.ndarray]
    may_use: tuple[str, ...] = ()  #: Names of inputs that are 0 where a sensor does not have them.
    sensors: tuple[str, ...] = ()  #: Names of inputs that are angles of other sensors.
    #: The one axis and sense of a motion whose joint it can measure.
    way: tuple[str, int] | None = None
    unit: str = "deg"  #: Of its readings on screens and in files, "deg" or "m".
    blind: str = "it cannot tell its joint there"  #: Why it may be blind, in words.


def within_half_a_circle(q: np.ndarray) -> np.ndarray:
    """The same angle within -pi to pi; the ends stay as they are."""
    beyond = np.abs(q) > np.pi + _ROUNDING
    if not beyond.any():
        return q
    return np.where(beyond, np.mod(q + np.pi, 2 * np.pi) - np.pi, q)


def _felt_at_the_joint(angle: np.ndarray, up: Up, inputs: Inputs) -> Felt:
    return Felt(angle, 1.0, None, {})


def _angle_at_the_joint(q: np.ndarray, up: Up, inputs: Inputs) -> np.ndarray:
    return q


def _felt_slew(angle: np.ndarray, up: Up, inputs: Inputs) -> Felt:
    # Seen from above, the x axis of what the house turned from is where the slew is undone in the
    # house, which pitch and roll have tipped.
    pitch, roll = inputs["pitch"], inputs["roll"]
    sine, cosine = np.sin(angle), np.cos(angle)
    ahead = cosine * np.cos(pitch) + sine * np.sin(roll) * np.sin(pitch)
    aside = sine * np.cos(roll)
    size = ahead**2 + aside**2

    def by(ahead_rate: Number, aside_rate: Number) -> np.ndarray:
        rate: np.ndarray = (ahead * aside_rate - aside * ahead_rate) / size
        return rate

    by_angle = by(-sine * np.cos(pitch) + cosine * np.sin(roll) * np.sin(pitch),
                  cosine * np.cos(roll))
    return Felt(np.arctan2(aside, ahead), by_angle, None, {
        "pitch": by(-cosine * np.sin(pitch) + sine * np.sin(roll) * np.cos(pitch), 0.0),
        "roll": by(sine * np.cos(roll) * np.sin(pitch), -sine * np.sin(roll))})


def _angle_slew(q: np.ndarray, up: Up, inputs: Inputs) -> np.ndarray:
    pitch, roll = inputs["pitch"], inputs["roll"]
    ahead = np.cos(q) * np.cos(roll) - np.sin(q) * np.sin(roll) * np.sin(pitch)
    angle: np.ndarray = np.arctan2(np.sin(q) * np.cos(pitch), ahead)
    return angle


def _felt_in_boom_plane(angle: np.ndarray, up: Up, inputs: Inputs) -> Felt:
    up_x, up_y, up_z = up
    lever2 = np.maximum(up_x**2 + up_z**2, _SMALLEST_LEVER**2)
    by_x, by_z = -up_z / lever2, up_x / lever2
    if not inputs.keys() & {"twist", "lean"}:
        q = within_half_a_circle(angle - np.arctan2(up_x, up_z))
        return Felt(q, 1.0, (by_x, None, by_z), {})
    # With d the inclination of x, t the twist and n the lean:
    # tan(angle) = (lever sin d cos t + up_y sin t) / (lever cos d cos n - up_y sin n).
    twist, lean, lever = inputs.get("twist", 0.0), inputs.get("lean", 0.0), np.sqrt(lever2)
    sine, cosine = np.sin(angle), np.cos(angle)
    x, z = cosine * np.cos(twist), sine * np.cos(lean)
    x_rate, z_rate = -cosine * np.sin(twist), -sine * np.sin(lean)
    size2, leak = x**2 + z**2, -x_rate - z_rate
    share = up_y / (lever * np.sqrt(size2))
    off = np.clip(leak * share, -_LARGEST_SINE, _LARGEST_SINE)
    slope = 1.0 / np.sqrt(1.0 - off**2)
    q = np.arctan2(z, x) - np.arcsin(off) - np.arctan2(up_x, up_z)

    def by(x_by: Number, z_by: Number, leak_by: Number) -> np.ndarray:
        rate: np.ndarray = (x * z_by - z * x_by) / size2 - slope * (
            leak_by * share - off * (x * x_by + z * z_by) / size2)
        return rate

    by_angle = by(-sine * np.cos(twist), cosine * np.cos(lean),
                  -sine * np.sin(twist) + cosine * np.sin(lean))
    by_up = (by_x + slope * off * up_x / lever2, -slope * leak / (lever * np.sqrt(size2)),
             by_z + slope * off * up_z / lever2)
    return Felt(within_half_a_circle(q), by_angle, by_up,
                {"twist": by(x_rate, 0.0, x), "lean": by(0.0, z_rate, z)})


def _angle_in_boom_plane(q: np.ndarray, up: Up, inputs: Inputs) -> np.ndarray:
    risen = q + np.arctan2(up[0], up[2])
    if not inputs.keys() & {"twist", "lean"}:
        return risen
    lever, twist, lean = np.hypot(up[0], up[2]), inputs.get("twist", 0.0), inputs.get("lean", 0.0)
    angle: np.ndarray = np.arctan2(
        lever * np.sin(risen) * np.cos(twist) + up[1] * np.sin(twist),
        lever * np.cos(risen) * np.cos(lean) - up[1] * np.sin(lean))
    return angle


def _felt_across(angle: np.ndarray, up: Up, inputs: Inputs) -> Felt:
    # sin(angle) + up_x sin t = cos t (up_y cos q + up_z sin q)
    #                         = cos t lever sin(q + atan2(up_y, up_z))
    up_x, up_y, up_z = up
    twist = inputs.get("twist", 0.0)
    lever = np.maximum(np.hypot(up_y, up_z), _SMALLEST_LEVER)
    sine = (np.sin(angle) + up_x * np.sin(twist)) / (lever * np.cos(twist))
    sine = np.clip(sine, -_LARGEST_SINE, _LARGEST_SINE)
    cosine = np.sqrt(1.0 - sine**2)
    dq_dlever = -sine / (lever * cosine)
    by_y = dq_dlever * up_y / lever - up_z / lever**2
    by_z = dq_dlever * up_z / lever + up_y / lever**2
    gain = np.cos(angle) / (lever * np.cos(twist) * cosine)
    # A reading that the axis cannot give is blind as well, even where its cosine hides it.
    gain = np.where(np.abs(sine) < _LARGEST_SINE, gain, np.maximum(np.abs(gain), 1.0 / cosine))
    q = within_half_a_circle(np.arcsin(sine) - np.arctan2(up_y, up_z))
    if "twist" not in inputs:
        return Felt(q, gain, (None, by_y, by_z), {})
    by_twist = (up_x / lever + sine * np.tan(twist)) / cosine
    return Felt(q, gain, (np.tan(twist) / (lever * cosine), by_y, by_z), {"twist": by_twist})


def _angle_across(q: np.ndarray, up: Up, inputs: Inputs) -> np.ndarray:
    up_x, up_y, up_z = up
    lever, twist = np.hypot(up_y, up_z), inputs.get("twist", 0.0)
    sine = lever * np.sin(q + np.arctan2(up_y, up_z)) * np.cos(twist) - up_x * np.sin(twist)
    angle: np.ndarray = np.arcsin(np.clip(sine, -1.0, 1.0))
    return angle


SENSOR_KINDS: dict[str, SensorKind] = {
    "joint": SensorKind(_felt_at_the_joint, _angle_at_the_joint),
    "stroke": SensorKind(_felt_at_the_joint, _angle_at_the_joint, unit="m"),
    "slew": SensorKind(_felt_slew, _angle_slew, sensors=("pitch", "roll"), way=("z", 1)),
    "in_boom_plane": SensorKind(_felt_in_boom_plane, _angle_in_boom_plane, ("twist", "lean"),
                                way=("y", -1)),
    "across": SensorKind(_felt_across, _angle_across, ("twist",), way=("x", 1),
                         blind="its axis is too near the vertical"),
}
