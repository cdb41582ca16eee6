"""What amounts and sensors vary with: functions of the pose that parameters are multiplied with.

An amount may have, besides what is the same in every pose, a parameter times the cosine or sine
of a joint angle (an axis that runs out of true) or of the inclination of a frame's x axis above
the horizontal (what sags under its own weight) or the horizontal distance to a frame that a load
hangs on (what sags under that), or times what a column of readings.csv says of the
pose (from which side a joint came, which way it is loaded). A sensor's angle may have a parameter
times its reading (a scale), times the reading's cosine or sine (a graduation off its centre), or
times such a column.
"""

import numpy as np

#: A reading of so much counts once in a sensor's "reading": its parameter is in deg, like others.
QUARTER_TURN = np.pi / 2

#: Of an amount: function of what.
OF_JOINT = ("cosine of joint", "sine of joint")
OF_INCLINATION = ("cosine of inclination", "sine of inclination")

#: How far a frame is ahead of another, level, square to the y axis of that one, m: the moment about
#: that axis of a unit weight, on the machine without what varies with such distances.
OF_DISTANCE = "horizontal distance"

#: What a column of readings.csv says of the pose.
OF_POSE = "pose column"

#: Of a sensor, functions of its own reading.
OF_READING = ("reading", "cosine", "sine")

_SMALLEST_COSINE = 1e-9


def of_joint(times: str, angle: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Value and derivative by the joint angle, each of the shape of `angle` (rad)."""
    cosine, sine = np.cos(angle), np.sin(angle)
    return (cosine, -sine) if times == "cosine of joint" else (sine, cosine)


def of_inclination(times: str, rise: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Value and derivative by the rise: the up component of the frame's x axis, shape (n,)."""
    if times == "sine of inclination":
        return rise, np.ones_like(rise)
    cosine = np.sqrt(np.maximum(1.0 - rise**2, 0.0))
    return cosine, -rise / np.maximum(cosine, _SMALLEST_COSINE)


def of_reading(times: str, reading: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Value and derivative by the reading, each of the shape of `reading` (rad)."""
    if times == "reading":
        return reading / QUARTER_TURN, np.full_like(reading, 1 / QUARTER_TURN)
    cosine, sine = np.cos(reading), np.sin(reading)
    return (cosine, -sine) if times == "cosine" else (sine, cosine)
