"""Values as a machine's own menus want them: mm, m, ft, ft-in; deg, dms, gon.

Feet are international feet.
"""

from collections.abc import Callable
from dataclasses import dataclass

from calib.chain.length import FOOT, INCH


@dataclass(frozen=True)
class Notation:
    """How values of one kind are written."""

    label: str  #: For headings.
    #: ``write(value, decimals) -> text`` of a value in m or deg.
    write: Callable[[float, int], str]
    decimals: int  #: What is written unless the user says otherwise.
    size: float  #: m or deg per unit, for the sd.


def _plain(size):
    return lambda value, decimals: f"{value / size:z.{decimals}f}"


def feet_and_inches(metres: float, decimals: int) -> str:
    """Feet and decimal inches.

    >>> print(feet_and_inches(5.6993, 2), feet_and_inches(-0.0127, 1), feet_and_inches(0.30479, 1))
    18' 8.38" -0' 0.5" 1' 0.0"
    """
    inches = round(abs(metres) / INCH, decimals)
    feet, inches = divmod(inches, 12)
    inches = round(inches, decimals)
    sign = "-" if metres < 0 and (feet or inches) else ""
    return f"{sign}{feet:.0f}' {inches:.{decimals}f}\""


def degrees_minutes_seconds(degrees: float, decimals: int) -> str:
    """Degrees, minutes and decimal seconds.

    >>> print(degrees_minutes_seconds(-1.5125, 0), degrees_minutes_seconds(0.99999, 0))
    -1° 30' 45" 1° 00' 00"
    """
    seconds = round(abs(degrees) * 3600, decimals)
    minutes, seconds = divmod(seconds, 60)
    whole, minutes = divmod(minutes, 60)
    width = 3 + decimals if decimals else 2
    sign = "-" if degrees < 0 and (whole or minutes or seconds) else ""
    return f"{sign}{whole:.0f}° {minutes:02.0f}' {seconds:0{width}.{decimals}f}\""


LENGTHS: dict[str, Notation] = {
    "mm": Notation("mm", _plain(0.001), 0, 0.001),
    "m": Notation("m", _plain(1.0), 3, 1.0),
    "ft": Notation("ft", _plain(FOOT), 3, FOOT),
    "ft-in": Notation("ft and in", feet_and_inches, 2, INCH),
}

ANGLES: dict[str, Notation] = {
    "deg": Notation("deg", _plain(1.0), 2, 1.0),
    "dms": Notation("deg, min, sec", degrees_minutes_seconds, 0, 1 / 3600),
    "gon": Notation("gon", _plain(0.9), 3, 0.9),
}
