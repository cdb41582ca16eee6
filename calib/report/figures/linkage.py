"""Where the pins of a linkage are at one posture: what a drawing with its dimensions needs."""

from dataclasses import dataclass

import numpy as np

from calib.calibration import HOUSE_PLACEMENT
from calib.chain.linkages import LINKAGES
from calib.chain.rig import Rig

#: Of each linkage: which pins each length is between. The joint is the pin of both members.
_BARS = {
    "four_bar": {"ground": ("joint", "near"), "input": ("near", "end"),
                 "floating": ("end", "far"), "output": ("joint", "far")},
    "triangle": {"near": ("joint", "near"), "far": ("joint", "far")},
}

#: The lengths that reach the pins on the member before and on the one that turns.
_REACH = {"four_bar": ("ground", "output"), "triangle": ("near", "far")}

#: The angle of each of these two pins.
_ANGLES = {"four_bar": ("ground_angle", "output_angle"), "triangle": ("near_angle", "far_angle")}


@dataclass(frozen=True)
class PlacedLinkage:
    """A linkage at one posture, levelled house frame, m."""

    reading: str  #: What is told through it.
    bars: list  #: Parameter of each length, and its two pins, shape (3,).
    #: Parameter of each angle at the joint, and the directions that it is between, shape (3,).
    angles: list
    joint: np.ndarray  #: Shape (3,).
    sides: list  #: List of (ndarray, ndarray). What has no parameter: the stroke of a cylinder.


def placed_linkages(rig: Rig, parameters: np.ndarray, readings: np.ndarray) -> list[PlacedLinkage]:
    """Every linkage of a rig at readings of shape (1, k), rad or m."""
    chain = rig.chain
    posture = chain.posture(parameters, HOUSE_PLACEMENT, readings, jacobian=False)
    placed = []
    for s, sensor in enumerate(chain.sensors):
        k = next(i for i, motion in enumerate(chain.motions) if motion.joint == sensor.name)
        if sensor.through is not None and chain.motions[k].frame is not None:
            placed.append(_placed(chain, posture, parameters, s, k))
    return placed


def _placed(chain, posture, parameters, s, k):
    sensor, motion, q = chain.sensors[s], chain.motions[k], posture.joints[0, s]
    inputs = {name: parameters[chain.parameters.index(used)]
              for name, used in sensor.uses.items() if used in chain.parameters}
    joint = posture.origins[0, k]
    ahead = posture.columns[motion.frame][0][0]
    square = np.cross(motion.sense * posture.axes[0, k], ahead)

    def towards(angle):
        """The direction at an angle from the x axis of the member before."""
        return np.cos(angle - q) * ahead + np.sin(angle - q) * square

    angle = [inputs.get(name, 0.0) for name in _ANGLES[sensor.through]]
    angle[1] += q
    pins = {"joint": joint}
    for pin, length, turn in zip(("near", "far"), _REACH[sensor.through], angle, strict=True):
        pins[pin] = joint + inputs[length] * towards(turn)
    sides = [(pins["near"], pins["far"])]
    if sensor.through == "four_bar":
        told = LINKAGES["four_bar"].told(np.array([q]), {
            **dict.fromkeys(_ANGLES["four_bar"], 0.0), **inputs, "branch": sensor.branch})[0]
        pins["end"] = pins["near"] + inputs["input"] * towards(told)
        sides = []
    bars = [(sensor.uses[name], pins[a], pins[b])
            for name, (a, b) in _BARS[sensor.through].items()]
    angles = [(sensor.uses[name], towards(start), towards(turn)) for name, start, turn in zip(
        _ANGLES[sensor.through], (0.0, q), angle, strict=True) if name in sensor.uses]
    return PlacedLinkage(sensor.name, bars, angles, joint, sides)
