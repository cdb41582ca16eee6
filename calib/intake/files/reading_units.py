"""Units of readings: degrees, strokes metres, unless the header of the column says another."""

from collections.abc import Mapping

import numpy as np

from calib.chain.length import FRACTIONS
from calib.intake.files.header_units import DEGREES, known_unit, unit_stated
from calib.run.complaints import Findings, quote

METRES = {unit: numerator / denominator for unit, (numerator, denominator) in FRACTIONS.items()}
"""Metres per unit that a column of strokes can have."""

#: From the least to the most that a stroke can be, m.
Span = tuple[float, float]


def reading_units(
    headers: dict[str, str], file: str, line: int, findings: Findings,
    strokes: Mapping[str, Span] = {},
) -> dict[str, str]:
    """Unit of each reading whose header states another than degrees, of a stroke than metres.

    Parameters
    ----------
    headers : dict of str to str
        By the names of the readings.
    strokes : mapping of str to (float, float)
        The readings that are strokes.
    """
    units = {}
    for name, header in headers.items():
        usual, known_ones = ("m", METRES) if name in strokes else ("deg", DEGREES)
        said = unit_stated(header)
        known = None if said is None else known_unit(said)
        if said is None or known == usual:
            continue
        if known in known_ones:
            units[name] = known
            findings.note(file, f"{name} is in {known}, as its header {quote(header)} says: "
                          f"turned into {'metres' if usual == 'm' else 'degrees'}", line)
        else:
            findings.complain(
                file, line, name, f"the header {quote(header)}",
                f"{'a stroke in a length' if usual == 'm' else 'readings in an angle'}: "
                f"{', '.join(known_ones)} (leave the bracket out if they are {usual})")
    return units


def as_read(value: float, unit: str | None, stroke: Span | None) -> tuple[float, str | None]:
    """A reading in deg, a stroke in m; NaN, and what was expected, where it cannot be.

    Parameters
    ----------
    unit : str or None
        As the header says, if it does.
    stroke : (float, float) or None
        What it can be if it is one, m.

    Examples
    --------
    >>> as_read(812.0, "mm", (0.1, 1.5)), as_read(812.0, None, (0.1, 1.5))[1]
    ((0.812, None), 'a stroke from 0.10 to 1.50 m (mm? then put [mm] behind the heading)')
    """
    if stroke is None:
        return in_degrees(value, unit or "deg")
    metres = value * METRES[unit or "m"]
    if stroke[0] <= metres <= stroke[1]:
        return metres, None
    hint = ""
    if unit is None and stroke[0] <= value * METRES["mm"] <= stroke[1]:
        hint = " (mm? then put [mm] behind the heading)"
    return np.nan, f"a stroke from {stroke[0]:.2f} to {stroke[1]:.2f} m{hint}"


def in_degrees(value: float, unit: str) -> tuple[float, str | None]:
    """A reading in deg; NaN, and what was expected, beyond a full circle.

    Examples
    --------
    >>> in_degrees(100.0, "gon"), in_degrees(361.0, "deg")
    ((90.0, None), (nan, 'an angle from -360 to 360 deg'))
    """
    degrees = value * DEGREES[unit]
    if abs(degrees) <= 360.0 * (1 + 1e-12):
        return degrees, None
    most = 360.0 / DEGREES[unit]
    return np.nan, (f"an angle from {-most:.6g} to {most:.6g} {unit}"
                    + ("" if unit == "deg" else ", the unit that the header says"))
