"""Cells of an export to numbers: each bad one a complaint, all at once."""

from dataclasses import dataclass

import numpy as np

from calib.intake.declaration import Declaration
from calib.intake.files.columns import KIND
from calib.intake.files.delimited import Export
from calib.intake.files.field_units import (
    DEGREES,
    AngleText,
    contradicts,
    known_unit,
    parse_dms,
    parse_packed_dms,
    to_metres,
)
from calib.run.complaints import Findings, quote
from calib.run.numerals import hides
from calib.run.table import Column, Kind, numbers_in

FAR = 1e8
"""No site grid puts a point farther, in any unit: beyond lies a typing error."""

_CHANCE = 1e-5
"""Of taking decimal degrees for degrees, minutes and seconds: a pair of digits is below 60 in 6 of
10 cases, each different pair counted once."""


@dataclass(frozen=True)
class Labelled:
    """What the rows of a file with shots say beside their numbers, one entry each."""

    file: str
    #: ids, time, description, pose, target: "" where the file has none.
    ids: tuple[str, ...]
    time: tuple[str, ...]
    description: tuple[str, ...]
    pose: tuple[str, ...]
    target: tuple[str, ...]
    #: Of raw observations the line of face 1 and that of face 2, or of the only one.
    lines: tuple[tuple[int, ...], ...]
    raw: tuple[str, ...]  #: The rows as they stand in the file.
    sha256: str
    understood: str  #: How the file was read, in a phrase.

    def __len__(self) -> int:
        return len(self.ids)


def numbers(
    export: Export, name: str, findings: Findings, *, needed: bool = True,
    low: float = -FAR, high: float = FAR, hint: str = "",
) -> np.ndarray:
    """A column as written, shape (n,); NaN where empty (if not `needed`) or at fault.

    `hint` says what a number beyond `low` and `high` may come from.
    """
    kind = Kind(True, lambda value: low <= value <= high,
                f"a number from {low:g} to {high:g}" + (f" ({hint})" if hint else ""), True)
    return numbers_in(export.columns[name], export.lines, Column(name, kind, needed), export.file,
                      export.dialect.decimal, findings)


def angle_column(export: Export, name: str, unit: str, findings: Findings) -> np.ndarray:
    """A column of angles in the declared unit, rad, 0 to a full circle."""
    if unit in ("deg", "gon"):
        full = 360.0 / DEGREES[unit]
        return np.radians(numbers(export, name, findings, low=-full, high=full) * DEGREES[unit])
    parse = parse_dms if unit == "dms" else parse_packed_dms
    cells = export.columns[name]
    values = np.full(len(cells), np.nan)
    for row, cell in enumerate(cells):
        if export.dialect.decimal == ",":
            cell = cell.replace(",", ".")
        try:
            values[row] = parse(cell)
        except AngleText as error:
            findings.complain(export.file, export.lines[row], name, quote(cell), str(error))
    beyond = np.abs(values) > 2 * np.pi
    for row in np.flatnonzero(beyond).tolist():
        findings.complain(export.file, export.lines[row], name, quote(cells[row]),
                          "an angle of at most 360 degrees")
    return np.where(beyond, np.nan, values)


def complain_of_packed(export: Export, name: str, findings: Findings) -> None:
    """Complain of decimal degrees that can all be degrees, minutes and seconds in one number."""
    digits = [cell.partition(export.dialect.decimal)[2] for cell in export.columns[name]]
    minutes, seconds = ({d[i:i + 2] for d in digits if len(d) >= 4} for i in (0, 2))
    if any(part.isdecimal() and int(part) > 59 for part in minutes | seconds):
        return
    if 0.6 ** (len(minutes) + len(seconds)) < _CHANCE:
        findings.complain(
            export.file, export.lines[0], name,
            f"{len(digits)} angles with no minute and no second above 59 if read as DDD.MMSS",
            "decimal degrees (--angles packed-dms if these are degrees, minutes and seconds)")


def pole_height(export: Export, declared: Declaration, findings: Findings) -> np.ndarray:
    """How high the pole or prism is, m, where it is to be taken off, shape (n,); else 0."""
    height = (numbers(export, "target_height", findings) if declared.pole == "column" else
              np.full(len(export), 0.0 if declared.pole == "applied" else declared.pole))
    return np.asarray(to_metres(height, declared.length_unit))


def texts(export: Export, name: str) -> tuple[str, ...]:
    """A text column, "" where the export does not have it."""
    return export.columns.get(name, ("",) * len(export))


def complain_of_empty(export: Export, name: str, findings: Findings) -> None:
    """Complain of every cell of a text column that is empty or holds what does not show."""
    for line, cell in zip(export.lines, export.columns[name], strict=True):
        if not cell or hides(cell):
            findings.complain(export.file, line, name, quote(cell), f"a {name}")


def complain_of_other_delimiters(export: Export, name: str, findings: Findings) -> None:
    """Complain of ids that hold what parts the columns of other files: a row that was torn."""
    others = {",", ";", "\t"} - {export.dialect.delimiter}
    for line, cell in zip(export.lines, export.columns[name], strict=True):
        if others & set(cell):
            findings.complain(export.file, line, name, quote(cell),
                              "an id without a delimiter in it (--delimiter says which it is)")


def check_header_units(
    export: Export, unit: str, angles_in: str | None, findings: Findings
) -> None:
    """Complain where the header states another unit than the declared one.

    Parameters
    ----------
    unit : str
        Of lengths, as declared.
    angles_in : str or None
        Of angles, as declared.
    """
    declared = {"length": unit, "covariance": unit, "angle": angles_in or "deg", "degrees": "deg"}
    for name, said in export.units.items():
        kind = KIND[name]
        if kind not in declared or not said:
            continue
        known = known_unit(said)
        if known is None:
            findings.note(export.file, f"{quote(said)} in the header of column {name} is no unit "
                          f"known here: read in {declared[kind]}", export.header)
        elif contradicts(known, declared[kind]):
            findings.complain(export.file, export.header, name, f"({said}) in the header",
                              f"the declared unit {declared[kind]}")
    for line, said in export.remarks:
        if line != export.header and contradicts(said, unit):
            findings.complain(export.file, line, None, f"a line that says {said}",
                              f"the declared unit {unit}")
