"""Units of readings: degrees, strokes metres, unless the header of the column says another."""

from collections.abc import Mapping

from calib.chain.length import FRACTIONS
from calib.intake.files.header_units import DEGREES, known_unit, unit_stated
from calib.run.complaints import Findings, quote
from calib.run.numerals import NotANumber

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


def as_read(value: float, unit: str | None, stroke: Span | None) -> float:
    """A reading in deg, a stroke in m.

    Parameters
    ----------
    unit : str or None
        As the header says, if it does.
    stroke : (float, float) or None
        What it can be if it is one, m.

    Raises
    ------
    NotANumber
        For a stroke that cannot be, and for an angle beyond a full circle.

    Examples
    --------
    >>> as_read(812.0, "mm", (0.1, 1.5)), as_read(100.0, "gon", None)
    (0.812, 90.0)
    >>> as_read(361.0, None, None)
    Traceback (most recent call last):
    calib.run.numerals.NotANumber: an angle from -360 to 360 deg
    """
    if stroke is not None:
        least, most = stroke
        if least <= (metres := value * METRES[unit or "m"]) <= most:
            return metres
        in_mm = unit is None and least <= value * METRES["mm"] <= most
        raise NotANumber(f"a stroke from {least:.2f} to {most:.2f} m"
                         + (" (mm? then put [mm] behind the heading)" if in_mm else ""))
    degrees = value * DEGREES[unit or "deg"]
    if abs(degrees) > 360.0 * (1 + 1e-12):
        most = 360.0 / DEGREES[unit or "deg"]
        raise NotANumber(f"an angle from -{most:.6g} to {most:.6g} {unit or 'deg'}"
                         + (", the unit that the header says" if unit else ""))
    return degrees
