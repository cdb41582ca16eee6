"""Linkages between a sensor and the joint it tells: from what the sensor sits on to the joint.

All angles are in the plane of the linkage, about the axis of the joint and in its sense, from the
x axis of the member before (of the link, and the ground) or of the member that turns (the output).

==============  ==================================================================================
through         what the sensor tells, and how the joint follows
==============  ==================================================================================
``four_bar``    the angle of the input link, on a pin of the member before; the output link is part
                of the member that turns about the joint, the floating link is between the two
``triangle``    the length of a cylinder from a pin of the member before to one of the member that
                turns
==============  ==================================================================================

A linkage can be assembled in two ways, its `branch`: 1 if the output link (the far side of the
triangle) is turned on, in the sense of the joint, from the line between joint and input link
(from the near side), and -1 if it is turned back. A linkage stays in the branch it is built in.

Two circles: K. J. Waldron, G. L. Kinzel, *Kinematics, Dynamics, and Design of Machinery*, chapter
on position analysis (from memory); `tests/published` compares with Freudenstein's equation.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calib.chain.sensors import Felt, Inputs, Number, within_half_a_circle

# Keep the formulas finite where the linkage cannot be assembled: such poses are told by their gain.
_LARGEST_COSINE = 1.0 - 1e-12
_SMALLEST_LENGTH = 1e-9
_NO_GAIN = 1e6


@dataclass(frozen=True)
class Linkage:
    """The two directions of one kind of linkage."""

    #: ``joint(told, inputs) -> Felt`` from what the sensor tells, shape (n,), rad or m.
    joint: Callable[[np.ndarray, Inputs], Felt]
    #: The inverse, ``told(q, inputs)``, shape (n,).
    told: Callable[[np.ndarray, Inputs], np.ndarray]
    #: lengths, angles: Names of the inputs; besides them there is `branch`.
    lengths: tuple[str, ...]
    angles: tuple[str, ...]
    #: The shorter of these lengths makes the derivative by a length comparable with one by an
    #: angle; none where an angle is told.
    arms: tuple[str, ...]
    blind: str  #: Where it cannot tell its joint, in words.


def _triangle(near: Number, far: Number, opposite: Number
              ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Angle between two sides, shape (n,), rad, its derivatives by the three, and if it closes.

    A triangle that does not close has the angle of the flat one that is nearest.
    """
    near = np.maximum(near, _SMALLEST_LENGTH)
    cosine = np.clip((near**2 + far**2 - opposite**2) / (2 * near * far),
                     -_LARGEST_COSINE, _LARGEST_COSINE)
    sine = np.sqrt(1.0 - cosine**2)
    by_opposite = opposite / (near * far * sine)
    by_near = -(1.0 / far - cosine / near) / sine
    by_far = -(1.0 / near - cosine / far) / sine
    closes = np.abs(cosine) < _LARGEST_COSINE
    return np.arccos(cosine), by_near, by_far, by_opposite, closes


def _joint_of_four_bar(told: np.ndarray, inputs: Inputs) -> Felt:
    ground, arm = inputs["ground"], inputs["input"]
    # End of the input link from the joint, along and square to the line of the two fixed pins.
    relative = told - inputs["ground_angle"]
    x, z = ground + arm * np.cos(relative), arm * np.sin(relative)
    length = np.maximum(np.hypot(x, z), _SMALLEST_LENGTH)
    between, by_length, by_output, by_floating, closes = _triangle(
        length, inputs["output"], inputs["floating"])
    branch = inputs["branch"]
    q = np.arctan2(z, x) + branch * between + inputs["ground_angle"] - inputs["output_angle"]

    def by(x_rate: Number, z_rate: Number) -> np.ndarray:
        turn = (x * z_rate - z * x_rate) / length**2
        rate: np.ndarray = turn + branch * by_length * (x * x_rate + z * z_rate) / length
        return rate

    by_told = by(-arm * np.sin(relative), arm * np.cos(relative))
    return Felt(within_half_a_circle(q), np.where(closes, by_told, _NO_GAIN), None, {
        "ground": by(1.0, 0.0),
        "input": by(np.cos(relative), np.sin(relative)),
        "floating": branch * by_floating,
        "output": branch * by_output,
        "ground_angle": 1.0 - by_told,
        "output_angle": -1.0,
    })


def _told_of_four_bar(q: np.ndarray, inputs: Inputs) -> np.ndarray:
    # From the joint's side it is a four-bar as well: of the two ways to assemble it one has the
    # same branch as seen from the other end.
    ground, output, arm = inputs["ground"], inputs["output"], inputs["input"]
    relative = q + inputs["output_angle"] - inputs["ground_angle"]
    # End of the output link from the pin of the input link.
    x, z = output * np.cos(relative) - ground, output * np.sin(relative)
    length = np.maximum(np.hypot(x, z), _SMALLEST_LENGTH)
    between, *_ = _triangle(length, arm, inputs["floating"])
    best = np.full_like(q, np.nan)
    least = np.full_like(q, np.inf)
    for side in (1.0, -1.0):
        told = within_half_a_circle(
            np.arctan2(z, x) + side * between + inputs["ground_angle"])
        off = np.abs(np.angle(np.exp(1j * (_joint_of_four_bar(told, inputs).angle - q))))
        best, least = np.where(off < least, told, best), np.minimum(off, least)
    return best


def _joint_of_triangle(told: np.ndarray, inputs: Inputs) -> Felt:
    between, by_near, by_far, by_told, closes = _triangle(inputs["near"], inputs["far"], told)
    branch = inputs["branch"]
    q = branch * between + inputs["near_angle"] - inputs["far_angle"]
    return Felt(within_half_a_circle(q), np.where(closes, branch * by_told, _NO_GAIN), None, {
        "near": branch * by_near, "far": branch * by_far, "near_angle": 1.0, "far_angle": -1.0})


def _told_of_triangle(q: np.ndarray, inputs: Inputs) -> np.ndarray:
    between = q + inputs["far_angle"] - inputs["near_angle"]
    near, far = inputs["near"], inputs["far"]
    return np.sqrt(np.maximum(near**2 + far**2 - 2 * near * far * np.cos(between), 0.0))


_ENDS = "the linkage is at an end of its travel or cannot be assembled there"

LINKAGES: dict[str, Linkage] = {
    "four_bar": Linkage(_joint_of_four_bar, _told_of_four_bar,
                        ("ground", "input", "floating", "output"),
                        ("ground_angle", "output_angle"), (), _ENDS),
    "triangle": Linkage(_joint_of_triangle, _told_of_triangle, ("near", "far"),
                        ("near_angle", "far_angle"), ("near", "far"), _ENDS),
}
