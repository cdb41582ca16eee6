"""Numbers on their way into a record: JSON knows neither NaN nor radians' users."""

from collections.abc import Iterable
from typing import SupportsFloat

import numpy as np
from uncertainties import ufloat

#: How a unit of the record is shown: label and factor.
SHOWN = {"m": ("mm", 1000.0), "deg": ("deg", 1.0)}


def number(value: SupportsFloat) -> float | None:
    """A JSON number, or None for what is not finite."""
    value = float(value)
    return value if np.isfinite(value) else None


def numbers(values: Iterable[SupportsFloat]) -> list[float | None]:
    """JSON numbers, None for what is not finite."""
    return [number(value) for value in values]


def unit_factor(unit: str) -> float:
    """From SI to the unit of a record: 1 for m, degrees per radian for deg."""
    return float(np.degrees(1.0)) if unit == "deg" else 1.0


def unit_factors(units: Iterable[str]) -> np.ndarray:
    """`unit_factor` of several."""
    return np.array([unit_factor(unit) for unit in units])


def in_words(value: float, unit: str, mm: str = ".0f", deg: str = ".2f") -> str:
    """An SI value with the unit in which it is shown; `mm` and `deg` are its formats in each.

    Examples
    --------
    >>> in_words(0.0123, "m"), in_words(-0.5, "deg", deg="+.1f")
    ('12 mm', '-28.6 deg')
    """
    return f"{np.degrees(value):{deg}} deg" if unit == "deg" else f"{1000 * value:{mm}} mm"


def value_and_sd(value: float, sd: float | None, factor: float = 1.0) -> tuple[str, str]:
    """Value and sd as text, as many digits as two figures of the sd ask for.

    Examples
    --------
    >>> value_and_sd(5.70694577, 0.00351, 1000)
    ('5706.9', '3.5')
    >>> value_and_sd(0.0, None)
    ('0', '-')
    """
    if not sd:
        return f"{factor * value:.6g}", "-"
    shown, sd_shown = f"{ufloat(factor * value, factor * sd):.2uf}".split("+/-")
    return shown, sd_shown
