"""Units that a person may write, and SI inside.

The foot is the international foot. US survey feet do not occur in a run folder: the import
converts them.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from calib.chain.length import FRACTIONS

#: Metres per unit as a fraction.
_LENGTHS = {unit: FRACTIONS[unit] for unit in ("m", "cm", "mm", "ft")}

#: The unit that files and screens use for this kind of quantity.
SI_UNITS = {**dict.fromkeys(_LENGTHS, "m"), "deg": "deg"}

UNITS = tuple(SI_UNITS)

#: Largest size of a quantity of the rig in SI, by kind, and what to say beyond it.
LIMITS = {
    "m": (1000.0, "a length of a machine, within 1000 m"),
    "deg": (2 * math.pi * (1 + 1e-12), "an angle from -360 to 360 deg"),
}

#: Standard deviations that surveys and sensors have, in m and deg: common practice, no source.
SDS = {"m": (1e-5, 0.5), "deg": (1e-4, 20.0)}

#: Mean resultant length (0 all round the circle, 1 all alike) above which angles have a middle.
_GATHERED = 0.5


def to_si(value: float, unit: str) -> float:
    """`value` in `unit` as metres or radians.

    Examples
    --------
    >>> to_si(5702, "mm"), to_si(10, "ft"), to_si(180, "deg")
    (5.702, 3.048, 3.141592653589793)
    """
    if unit == "deg":
        return math.radians(value)
    numerator, denominator = _LENGTHS[unit]
    return value * numerator / denominator


def from_si(value: float, unit: str) -> float:
    """`value` in metres or radians as `unit`.

    Examples
    --------
    >>> from_si(5.702, "mm"), from_si(0.3048, "ft")
    (5702.0, 1.0)
    """
    if unit == "deg":
        return math.degrees(value)
    numerator, denominator = _LENGTHS[unit]
    return value * denominator / numerator


def sd_problem(sd: float, unit: str) -> str | None:
    """What was expected of a sd of a shot (m) or a reading (deg) that none has; None if it can be.

    Examples
    --------
    >>> sd_problem(2.0, "m")
    'a standard deviation in m, from 0.00001 to 0.5 (mm typed for m? 2 mm are 0.002)'
    >>> sd_problem(0.05, "deg") is None
    True
    """
    least, most = SDS[unit]
    if least <= sd <= most:
        return None
    says = f"a standard deviation in {unit}, from {f'{least:.5f}'.rstrip('0')} to {most:g}"
    if unit == "m" and most < sd <= 1000 * most:
        says += f" (mm typed for m? {sd:g} mm are {sd / 1000:g})"
    return says


def half_circle(degrees: ArrayLike) -> Any:
    """Angles (number or ndarray, deg) as the same ones above -180, up to 180.

    Examples
    --------
    >>> half_circle(np.array([359.5, -180.0, 12.25])).tolist()
    [-0.5, 180.0, 12.25]
    """
    degrees = np.asarray(degrees, float)
    return degrees - 360.0 * np.ceil((degrees - 180.0) / 360.0)


def short_way_round(degrees: np.ndarray) -> np.ndarray:
    """Angles of one sensor, deg, each a whole number of circles from what was written.

    Within half a circle of their mean direction, so that readings on both sides of 180 stay
    neighbours; above -180 up to 180 where they lie all round the circle and have no such direction.

    Parameters
    ----------
    degrees : ndarray, shape (n,)
        NaN stays NaN.

    Examples
    --------
    >>> short_way_round(np.array([350.0, 5.0])).tolist()
    [-10.0, 5.0]
    """
    sound = degrees[np.isfinite(degrees)]
    if not len(sound):
        return degrees
    mean = np.exp(1j * np.radians(sound)).mean()
    middle = float(half_circle(np.degrees(np.angle(mean)))) if abs(mean) > _GATHERED else 0.0
    turns = np.ceil((degrees - middle - 180.0) / 360.0)
    return np.where(turns == 0, degrees, degrees - 360.0 * turns)
