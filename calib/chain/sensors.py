"""How a sensor's calibrated angle becomes a joint angle, given the direction of gravity.

Every kind is a pair of functions of the unit up vector expressed in the frame just before the
joint, so that one rule serves any rig: the inclination of the member before is not looked up in
another sensor, it is what the up vector says.

=====================  ===========================================================================
kind                   the calibrated angle is
=====================  ===========================================================================
``joint``              the joint angle itself (encoder, or the two axes of the house sensor)
``in_boom_plane``      inclination of the member's x axis, measured in the plane normal to y
``across``             inclination of the member's y axis above the horizontal
=====================  ===========================================================================
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

#: Above this gain (change of the joint angle over change of the reading) a sensor counts as blind.
BLIND_GAIN = 4.0

# Keeps the formulas finite inside the blind zone, so that a solver passing through sees numbers;
# poses that end there are reported by their gain.
_SMALLEST_LEVER = 1e-9
_LARGEST_SINE = 1.0 - 1e-12
_ROUNDING = 1e-9


@dataclass(frozen=True)
class SensorKind:
    """The two directions of one kind of sensor.

    The up vector is given by its three components in the frame before the joint, each of
    shape (n,).

    Attributes
    ----------
    joint : callable
        ``joint(angle, up) -> (q, dq_dangle, dq_dup)``: joint angle (n,) and its gain (n,) from the
        calibrated angle (n,), rad; `dq_dup` has one entry per component of `up`, None for one
        that does not matter, and is None as a whole for a sensor that does not feel gravity.
    angle : callable
        The inverse, ``angle(q, up) -> angle``, shape (n,), rad.
    """

    joint: Callable
    angle: Callable


def _within_half_a_circle(q):
    """The same joint angle within -pi to pi; the ends stay as they are."""
    return np.where(np.abs(q) > np.pi + _ROUNDING, np.mod(q + np.pi, 2 * np.pi) - np.pi, q)


def _joint_of_joint(angle, up):
    return angle, 1.0, None


def _angle_of_joint(q, up):
    return q


def _joint_in_boom_plane(angle, up):
    up_x, _, up_z = up
    lever2 = np.maximum(up_x**2 + up_z**2, _SMALLEST_LEVER**2)
    q = _within_half_a_circle(angle - np.arctan2(up_x, up_z))
    return q, 1.0, (-up_z / lever2, None, up_x / lever2)


def _angle_in_boom_plane(q, up):
    return q + np.arctan2(up[0], up[2])


def _joint_across(angle, up):
    # sin(angle) = up_y cos q + up_z sin q = lever * sin(q + atan2(up_y, up_z))
    _, up_y, up_z = up
    lever = np.maximum(np.hypot(up_y, up_z), _SMALLEST_LEVER)
    sine = np.clip(np.sin(angle) / lever, -_LARGEST_SINE, _LARGEST_SINE)
    cosine = np.sqrt(1.0 - sine**2)
    dq_dlever = -sine / (lever * cosine)
    by_y = dq_dlever * up_y / lever - up_z / lever**2
    by_z = dq_dlever * up_z / lever + up_y / lever**2
    gain = np.cos(angle) / (lever * cosine)
    # A reading that the axis cannot give is blind as well, even where its cosine hides it.
    gain = np.where(np.abs(sine) < _LARGEST_SINE, gain, np.maximum(np.abs(gain), 1.0 / cosine))
    return _within_half_a_circle(np.arcsin(sine) - np.arctan2(up_y, up_z)), gain, (None, by_y, by_z)


def _angle_across(q, up):
    _, up_y, up_z = up
    lever = np.hypot(up_y, up_z)
    return np.arcsin(np.clip(lever * np.sin(q + np.arctan2(up_y, up_z)), -1.0, 1.0))


SENSOR_KINDS: dict[str, SensorKind] = {
    "joint": SensorKind(_joint_of_joint, _angle_of_joint),
    "in_boom_plane": SensorKind(_joint_in_boom_plane, _angle_in_boom_plane),
    "across": SensorKind(_joint_across, _angle_across),
}
