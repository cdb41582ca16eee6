"""Numbers on their way into a record: JSON knows neither NaN nor radians' users."""

import numpy as np

#: How a unit of the record is shown: label and factor.
SHOWN = {"m": ("mm", 1000.0), "deg": ("deg", 1.0)}


def number(value) -> float | None:
    """A JSON number, or None for what is not finite."""
    value = float(value)
    return value if np.isfinite(value) else None


def numbers(values) -> list[float | None]:
    """JSON numbers, None for what is not finite."""
    return [number(value) for value in values]


def unit_factor(unit: str) -> float:
    """From SI to the unit of a record: 1 for m, degrees per radian for deg."""
    return float(np.degrees(1.0)) if unit == "deg" else 1.0


def unit_factors(units) -> np.ndarray:
    """`unit_factor` of several."""
    return np.array([unit_factor(unit) for unit in units])
