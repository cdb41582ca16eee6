"""Units of readings: degrees, unless the header of the column says another."""

import numpy as np

from calib.intake.files.header_units import DEGREES, known_unit, unit_stated
from calib.run.complaints import Findings, quote


def reading_units(
    headers: dict[str, str], file: str, line: int, findings: Findings
) -> dict[str, str]:
    """Unit of each reading whose header states another than degrees.

    Parameters
    ----------
    headers : dict of str to str
        By the names of the readings.
    """
    units = {}
    for name, header in headers.items():
        said = unit_stated(header)
        known = None if said is None else known_unit(said)
        if said is None or known == "deg":
            continue
        if known in DEGREES:
            units[name] = known
            findings.note(file, f"{name} is in {known}, as its header {quote(header)} says: "
                          "turned into degrees", line)
        else:
            findings.complain(file, line, name, f"the header {quote(header)}",
                              "readings in an angle: " + ", ".join(DEGREES)
                              + " (leave the bracket out if they are degrees)")
    return units


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
