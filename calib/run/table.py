"""A table with declared columns: every bad cell one complaint, all at once."""

import difflib
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from calib.run.complaints import Findings, lines_in_words, quote
from calib.run.numerals import (
    NotANumber,
    cut_off,
    hides,
    parse_number,
    refuse_dropped,
    without_decimals,
)
from calib.run.text import Row, note_commented, read_grid
from calib.run.units import UNITS, sd_problem


@dataclass(frozen=True)
class Kind:
    """What the cells of a column hold."""

    is_number: bool
    #: Whether a value (a float of a number column, else the text) is in order.
    accepts: Callable[[Any], bool]
    #: For the complaint about a value that is not; a callable is asked with the value.
    expected: str | Callable[[Any], str | None]
    #: Whether dropped digits (`calib.run.numerals.refuse_dropped`) would do harm.
    measured: bool = False

    def read(self, cell: str, decimal: str) -> Any:
        """What a cell says.

        Raises
        ------
        NotANumber
            If that is not in order.
        """
        value = parse_number(cell, decimal) if self.is_number else cell
        if not self.accepts(value):
            raise NotANumber(self.expected if isinstance(self.expected, str) else
                             self.expected(value) or "")
        if self.measured:
            refuse_dropped(cell, decimal)
        return value


def _is_moment(cell):
    try:
        datetime.fromisoformat(cell)
    except ValueError:
        return False
    return ":" in cell


#: What a spreadsheet makes of an id such as 1E3.
_POWER = re.compile(r"[0-9][.,][0-9]+[eE][+-][0-9]+")

#: So many names are told where none is near; a nearest one is looked for, which is slow where
#: there are many, only for the first cells.
_FEW, _MOST_HINTS = 8, 20

#: Farther than any site grid puts a point: beyond lies a typing error, and overflow.
_FAR = 1e8

ID = Kind(False, lambda cell: bool(cell) and not (hides(cell) or _POWER.fullmatch(cell)), "an id")
UNIT = Kind(False, lambda cell: cell.casefold() in UNITS, "a unit: " + ", ".join(UNITS))
NOTE = Kind(False, bool, "a word")
TIME = Kind(False, _is_moment, "a date and time such as 2031-05-04T09:30:00+02:00")
COORDINATE = Kind(True, lambda v: abs(v) <= _FAR, f"a coordinate within {_FAR:,.0f} m", True)
NUMBER = Kind(True, lambda v: abs(v) <= _FAR, f"a number within {_FAR:,.0f}")
ANGLE = Kind(True, lambda v: abs(v) <= 360, "an angle from -360 to 360 deg", True)
#: Measured, in a unit of its own.
MEASURED = Kind(True, lambda v: abs(v) <= _FAR, f"a number within {_FAR:,.0f}", True)
# A sd so small that its square vanishes would be infinite weight: refuse it as well as zero.
SD = Kind(True, lambda v: 1e-9 <= v <= 1e6, "a standard deviation above zero (1e-9 to 1e6)")
ORIENTATION_SD = Kind(True, lambda v: 1e-9 <= v <= 180, "a standard deviation in deg, above zero "
                      "up to 180 (none where the orientation is unknown)")
SHOT_SD = Kind(True, lambda v: sd_problem(v, "m") is None, lambda v: sd_problem(v, "m"))
READING_SD = Kind(True, lambda v: sd_problem(v, "deg") is None, lambda v: sd_problem(v, "deg"))


def stroke_kind(least: float, most: float) -> Kind:
    """The stroke of a cylinder that can be from so much to so much, m."""
    return Kind(True, lambda v: least <= v <= most,
                f"a stroke in m, from {least:.2f} to {most:.2f} with the triangle of rig.toml (mm "
                "typed for m?)", True)


@dataclass(frozen=True)
class Column:
    """A column that a file has (`required`) or may have. Optional columns may have empty cells."""

    name: str
    kind: Kind
    required: bool = True


@dataclass(frozen=True)
class Table:
    """A file's declared columns, row by row."""

    file: str
    lines: np.ndarray  #: Int, shape (n,). Line of each row.
    header_line: int
    texts: dict[str, tuple[str, ...]]  #: Columns of text, "" where the cell is empty or at fault.
    #: Shape (n,). Columns of numbers as written (no unit conversion), NaN where empty or at fault.
    #: Optional columns that the file does not have are in neither.
    numbers: dict[str, np.ndarray]

    def __len__(self) -> int:
        return len(self.lines)

    def text(self, name: str) -> tuple[str, ...]:
        """A column of text, shape (n,); "" where there is none."""
        return self.texts.get(name, ("",) * len(self))

    def index(self, name: str, known: Iterable[str], expected: str, findings: Findings
              ) -> np.ndarray:
        """Place of each cell of a column among known names, int, shape (n,); -1 where empty.

        A cell that is none of them is a complaint, and -1.
        """
        known, hints = list(known), dict[str, str]()
        place = {name: i for i, name in enumerate(known) if name}
        some = ": " + ", ".join(known) if 0 < len(known) <= _FEW else ""
        for line, cell in zip(self.lines.tolist(), self.text(name), strict=True):
            if cell and cell not in place:
                if cell not in hints and len(hints) < _MOST_HINTS:
                    hints[cell] = nearest(cell, place) or some
                findings.complain(self.file, line, name, quote(cell),
                                  expected + hints.get(cell, ""))
        return np.array([place.get(cell, -1) for cell in self.text(name)], int)

    def matrix(self, names: Iterable[str]) -> np.ndarray:
        """Columns of numbers side by side, NaN where there is none, shape (n, k)."""
        names, unknown = list(names), np.full(len(self), np.nan)
        columns = [self.numbers.get(name, unknown) for name in names]
        return np.array(columns).reshape(len(names), len(self)).T


def read_table(
    text: str,
    file: str,
    columns: Sequence[Column],
    findings: Findings,
    *,
    note_extra: bool = True,
) -> Table | None:
    """Read a delimited file with a header row against its declared columns.

    Parameters
    ----------
    note_extra : bool
        Whether columns that nobody declared are worth a notice.

    Returns
    -------
    Table or None
        None when no row could be told from another. After any other complaint the table holds
        what is sound, so that more can be checked; it must not be used as a result.
    """
    grid = read_grid(
        text, file, findings,
        names=[c.name for c in columns],
        numeric=[c.name for c in columns if c.kind.is_number],
    )
    if grid is None:
        return None
    header, body = grid.rows[0], grid.rows[1:]
    place = _place_columns(header, body, file, columns, findings, note_extra)
    rows = _whole_rows(header, body, grid, findings)
    note_commented(grid, findings)
    if rows:
        check_end(text, file, rows, grid.dialect.decimal, findings)
    texts, numbers, lines = {}, {}, [row.line for row in rows]
    for column in columns:
        if column.name not in place:
            continue
        cells = [row.cells[place[column.name]] for row in rows]
        if column.kind.is_number:
            numbers[column.name] = numbers_in(cells, lines, column, file, grid.dialect.decimal,
                                              findings)
        else:
            texts[column.name] = tuple(_read(cells, lines, column, file, "", findings))
            if column.kind is TIME:
                _check_zones(texts[column.name], column, rows, file, findings)
    return Table(file, np.array(lines, int), header.line, texts, numbers)


def check_end(text: str, file: str, rows: Sequence[Row], decimal: str, findings: Findings) -> None:
    """Complain of a last row that was cut off, or say that nothing ends it.

    Parameters
    ----------
    rows : sequence of Row
        Of one width; the last is the last line of the file.
    """
    if text[-1] in "\r\n":
        return
    last = rows[-1]
    expected = cut_off([row.cells[-1] for row in rows], decimal)
    if expected is not None:
        findings.complain(file, last.line, None, quote(last.cells[-1]), expected)
    else:
        findings.note(file, "no line end after the last row: check that the file is whole",
                      last.line)


def complain_of_repeats(
    table: Table, column: str, findings: Findings, expected: str
) -> None:
    """Complain of every cell of a text column that stood in an earlier row."""
    first: dict[str, int] = {}
    for line, cell in zip(table.lines.tolist(), table.text(column), strict=True):
        if cell in first:
            findings.complain(table.file, line, column,
                              f"{quote(cell)} again (first in line {first[cell]})", expected)
        elif cell:
            first[cell] = line


def nearest(name: str, known: Iterable[str]) -> str:
    """The known name that `name` may stand for, as a hint to put in brackets; else "".

    Examples
    --------
    >>> nearest("1", ["001", "002"]), nearest("edge_lft", ["edge_left"]), nearest("x", ["edge"])
    (' (did something drop zeros from "001"?)', ' (nearest: "edge_left")', '')
    """
    known = list(known)
    if name.isdecimal():
        padded = [k for k in known if k.isdecimal() and k.lstrip("0") == name.lstrip("0")]
        if padded and padded[0] != name:
            return f' (did something drop zeros from "{max(*padded, name, key=len)}"?)'
    by_fold = {k.casefold(): k for k in known}
    close = difflib.get_close_matches(name.casefold(), by_fold, n=1, cutoff=0.75)
    return f' (nearest: "{by_fold[close[0]]}")' if close else ""


def _place_columns(header, body, file, columns, findings, note_extra):
    """Index of each declared column; complaints of what is missing or twice."""
    declared = {c.name.casefold(): c.name for c in columns}
    place: dict[str, int] = {}
    extra = []
    for i, cell in enumerate(header.cells):
        name = declared.get(cell.casefold())
        if name is None:
            if cell or any(i < len(row.cells) and row.cells[i] for row in body):
                extra.append(cell)
        elif name in place:
            findings.complain(file, header.line, name, f"column {quote(cell)} twice",
                              "each column once")
        else:
            place[name] = i
    missing = [c.name for c in columns if c.required and c.name not in place]
    for name in missing:
        findings.complain(file, header.line, name,
                          f'no column "{name}"{nearest(name, [e for e in extra if e])}',
                          "columns " + ", ".join(c.name for c in columns if c.required))
    if extra and note_extra:
        optional = [c.name for c in columns if c.name not in place and c.name not in missing]
        says = [(quote(e) if e else "one without a name") + nearest(e, optional) for e in extra]
        findings.note(file, "columns not used: " + ", ".join(says), header.line)
    return place


def _whole_rows(header, body, grid, findings) -> list[Row]:
    """The rows that fit the header; empty columns at the end do no harm."""
    width = len(header.cells)
    named = max((i for i, cell in enumerate(header.cells, 1) if cell), default=width)
    hint = ""
    if grid.dialect.delimiter == ",":
        hint = " (decimal commas need semicolons or tabs between columns)"
    # Empty columns that only the header lacks are in every row; a comma too many is in one.
    widths = {len(row.cells) for row in body}
    if len(widths) == 1:
        width = max(width, *widths)
    whole = []
    for row in body:
        cells = len(row.cells)
        if named <= cells <= width and not any(row.cells[len(header.cells):]):
            whole.append(row)
            continue
        last = " (cut off?)" if cells < named and row is body[-1] else ""
        findings.complain(grid.file, row.line, None,
                          ("1 cell" if cells == 1 else f"{cells} cells") + last,
                          f"{named} cells as in the header (line {header.line})"
                          + (hint if cells >= named else ""))
    return whole


def numbers_in(cells: Sequence[str], lines: Sequence[int], column: Column, file: str, decimal: str,
               findings: Findings) -> np.ndarray:
    """The numbers of a column, shape (n,); NaN where empty (if not required) or at fault."""
    values = _read(cells, lines, column, file, decimal, findings)
    for i in without_decimals(cells, decimal) if column.kind.measured else ():
        findings.note(file, f"column {column.name}: {quote(cells[i])} has no decimals where the "
                      "others have three or more", lines[i])
    return np.array(values, float)


def _read(cells, lines, column, file, decimal, findings):
    """What each cell of a column says; NaN or "" where it says nothing."""
    values: list[Any] = [np.nan if column.kind.is_number else ""] * len(cells)
    for i, cell in enumerate(cells):
        try:
            if cell or column.required:
                values[i] = column.kind.read(cell, decimal)
        except NotANumber as error:
            findings.complain(file, lines[i], column.name, quote(cell), error.expected)
    return values


def _check_zones(cells, column, rows, file, findings):
    """Times with and without a zone cannot be put in order."""
    lines: dict[bool, list[int]] = {True: [], False: []}
    for row, cell in zip(rows, cells, strict=True):
        if cell:
            lines[datetime.fromisoformat(cell).tzinfo is not None].append(row.line)
    if lines[True] and lines[False]:
        findings.complain(file, None, column.name,
                          f"times without a zone ({lines_in_words(lines[False])}) among times "
                          "with one", "a zone in all or in none, such as Z or +02:00")
