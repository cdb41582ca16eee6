"""Angles as instruments and field books write them: degrees, degrees-minutes-seconds, gon.

Angles are rad inside. 400 gon are a full circle; 1 gon = 0.9 deg exactly.
"""

import math
import re
from typing import Any

UNITS = ("deg", "dms", "packed-dms", "gon")
"""What a person can declare. `dms` has marks between the parts (123 45 06.7, 123-45-06.7,
123°45'06.7"); `packed-dms` is one number, DDD.MMSSs, as many data collectors export."""

_PER_UNIT = {"deg": math.pi / 180.0, "gon": math.pi / 200.0}

_DMS = re.compile(
    r"""^\s*(?P<sign>[+-]?)\s*(?P<deg>\d{1,3})\s*[°d:\s-]\s*
        (?P<min>\d{1,2})\s*(?:['′’m:\s-]\s*
        (?:(?P<sec>\d{1,2}(?:\.\d*)?)\s*(?:"|''|″|”|s)?\s*)?)?$""",
    re.VERBOSE,
)
_PACKED = re.compile(r"^\s*(?P<sign>[+-]?)(?P<deg>\d{1,3})(?:\.(?P<rest>\d*))?\s*$")


class AngleText(ValueError):
    """Text that is no angle in the declared unit; the message says what was expected."""


def angle(number: Any, unit: str) -> Any:
    """A decimal angle (number or ndarray) in `unit` (deg or gon), in rad."""
    return number * _PER_UNIT[unit]


def parse_dms(text: str) -> float:
    """Degrees, minutes and seconds with marks between them, in rad.

    Raises
    ------
    AngleText

    Examples
    --------
    >>> import math
    >>> round(math.degrees(parse_dms("123 45 36")), 6)
    123.76
    >>> round(math.degrees(parse_dms("0°00'36\\"")), 6)
    0.01
    """
    match = _DMS.match(text)
    if not match:
        if _PACKED.match(text):
            raise AngleText(
                "degrees, minutes and seconds with marks between them, such as 123 45 06.7; "
                "if this is DDD.MMSS in one number, declare packed-dms; if decimal, deg"
            )
        raise AngleText("degrees, minutes and seconds, such as 123 45 06.7")
    return _combine(match["sign"], match["deg"], match["min"], match["sec"] or "0")


def parse_packed_dms(text: str) -> float:
    """DDD.MMSSs in one number, in rad.

    Raises
    ------
    AngleText

    Examples
    --------
    >>> import math
    >>> round(math.degrees(parse_packed_dms("123.4536")), 6)
    123.76
    """
    match = _PACKED.match(text)
    if not match:
        raise AngleText("an angle as DDD.MMSS in one number, such as 123.4506")
    rest = (match["rest"] or "").ljust(4, "0")
    seconds = rest[2:4] + ("." + rest[4:] if rest[4:] else "")
    return _combine(match["sign"], match["deg"], rest[:2], seconds)


def _combine(sign, degrees, minutes, seconds):
    if int(minutes) >= 60 or float(seconds) >= 60.0:
        raise AngleText("minutes and seconds below 60")
    value = int(degrees) + int(minutes) / 60.0 + float(seconds) / 3600.0
    return math.radians(-value if sign == "-" else value)
