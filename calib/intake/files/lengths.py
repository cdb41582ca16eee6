"""Units of length that field files come in.

1 ft-int = 0.3048 m and 1 ft-us = 1200/3937 m, both exact (NIST Special Publication 811, appendix B;
the US survey foot is deprecated since the end of 2022, Federal Register notice 2020-21902, but old
jobs still arrive in it).
"""

import re
from typing import Any

from calib.chain.length import FRACTIONS
from calib.intake.files.header_units import known_unit

METRES = {**{unit: FRACTIONS[unit] for unit in ("m", "mm")}, "ft-int": FRACTIONS["ft"],
          "ft-us": FRACTIONS["ft-us"]}
"""Metres per unit as a fraction, so that whole numbers of units stay as exact as they can be."""

NAMES = {"m": "metres", "mm": "millimetres", "ft-int": "international feet",
         "ft-us": "US survey feet"}

class UnitText(ValueError):
    """No unit, or one that can mean two; the message says what to write."""


def parse_unit(text: str) -> str:
    """One of `METRES` from what a person declared.

    Raises
    ------
    UnitText
        For an unknown unit, and for "ft": there are two feet.

    Examples
    --------
    >>> parse_unit("metre"), parse_unit("usft")
    ('m', 'ft-us')
    """
    unit = known_unit(text) if re.fullmatch(r"\s*(?:[A-Za-z][A-Za-z -]*|')\s*", text) else None
    if unit == "ft":
        raise UnitText(
            f'"{text}" can be the international foot (0.3048 m exactly: write ft-int) or the US '
            "survey foot (1200/3937 m: write ft-us). They differ by 2 parts in a million: 1.2 m "
            "on a coordinate of 2,000,000 ft"
        )
    if unit not in METRES:
        raise UnitText(f'"{text}" is no unit of length; write ' + ", ".join(METRES))
    return unit


def to_metres(value: Any, unit: str) -> Any:
    """`value` (number or ndarray) in `unit`, in metres.

    Examples
    --------
    >>> to_metres(10.0, "ft-int"), to_metres(3937.0, "ft-us"), to_metres(5702, "mm")
    (3.048, 1200.0, 5.702)
    """
    numerator, denominator = METRES[unit]
    return value * numerator / denominator
