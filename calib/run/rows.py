"""Rows of a table changed in its text: comments, other columns and the dialect stay as they are."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from calib.run.complaints import Complaint, Findings, InputError, quote
from calib.run.numerals import is_number
from calib.run.text import STRICT, Grid, Row, read_grid
from calib.spreadsheet import as_cell

#: What a row says, column by column: numbers as text with a decimal point.
Cells = Mapping[str, str]

#: Lines with their ends, as `calib.run.text.split_lines` counts them.
_LINES = re.compile("[^\r\n]*(?:\r\n|\n|\r)|[^\r\n]+")


@dataclass(frozen=True)
class Kind:
    """What a file of rows is."""

    file: str
    columns: Sequence[str]  #: That it must have; it gets others that a row says something for.
    key: str  #: The one that names a row.
    numeric: Sequence[str] = ()  #: Those that hold numbers: they get the decimal mark of the file.


def added(text: str, kind: Kind, rows: Sequence[Cells]) -> str:
    """The text with rows at its end.

    Parameters
    ----------
    text : str
        "" for a new file, which gets the columns of its kind as its header.

    Raises
    ------
    InputError
        If the text cannot be told into columns, or lacks one that it must have.
    """
    if not text.strip():
        text = ",".join(kind.columns) + "\n"
    text, grid = _with_room(text, kind, kind.columns, rows)
    end = "\r\n" if "\r\n" in text else "\n"
    body = text if text.endswith(("\n", "\r")) else text + end
    return body + "".join(_line(grid, row, kind.numeric) + end for row in rows)


def changed(text: str, kind: Kind, name: str, cells: Cells | None) -> str:
    """The text with other cells in the row of that name; None: without it.

    It gets columns that the cells say something for.

    Raises
    ------
    InputError
        If there is no such row, or not one alone.
    """
    text, grid = _with_room(text, kind, [kind.key], [cells or {}])
    place = _header(grid)[kind.key]
    found = [row for row in grid.rows[1:] if place < len(row.cells) and row.cells[place] == name]
    if len(found) != 1:
        raise InputError.of(kind.file, f"{len(found)} rows with {quote(name)}",
                            "one row of that name", column=kind.key)
    lines, at = _LINES.findall(text), found[0].line - 1
    if cells is None:
        del lines[at]
    else:
        ending = lines[at][len(lines[at].rstrip("\r\n")):]
        lines[at] = _line(grid, cells, kind.numeric, found[0]) + ending
    return "".join(lines)


def row_of(text: str, kind: Kind, name: str) -> dict[str, str] | None:
    """The cells of a row by column, numbers with a decimal point; None if there is none."""
    return next((row for row in all_rows(text, kind) if row.get(kind.key) == name), None)


def all_rows(text: str, kind: Kind) -> list[dict[str, str]]:
    """Every row as its cells by column, numbers with a decimal point; none of an empty text."""
    if not text.strip():
        return []
    grid = _grid(text, kind)
    header = _header(grid)
    return [{column: _pointed(cell, grid.dialect) if column in kind.numeric else cell
             for column, cell in zip(header, row.cells, strict=False)} for row in grid.rows[1:]]


def _grid(text, kind, more=()) -> Grid:
    findings = Findings()
    return findings.sound(read_grid(text, kind.file, findings, names=[*kind.columns, *more],
                                    numeric=list(kind.numeric)))


def _with_room(text, kind, needed, rows):
    """The text with every column that rows say something for, and its grid; complains of missing
    ones."""
    grid = _grid(text, kind)
    header = _header(grid)
    missing = [name for name in needed if name not in header]
    if missing:
        raise InputError([Complaint(kind.file, grid.rows[0].line, name, f'no column "{name}"',
                                    "a column for it") for name in missing])
    more = list(dict.fromkeys(name for row in rows for name, cell in row.items()
                              if cell != "" and name not in header))
    if not more:
        return text, grid
    text = _with_columns(text, grid, more)
    return text, _grid(text, kind, more)


def _header(grid):
    return {cell.casefold(): i for i, cell in enumerate(grid.rows[0].cells)}


def _with_columns(text, grid, names):
    """The text with columns at its right, empty in every row."""
    lines, mark = _LINES.findall(text), grid.dialect.delimiter
    for number, row in enumerate(grid.rows):
        at = row.line - 1
        whole = lines[at].rstrip("\r\n")
        lack = len(grid.rows[0].cells) - len(row.cells)
        cells = names if number == 0 else [""] * (lack + len(names))
        lines[at] = mark.join([whole, *cells]) + lines[at][len(whole):]
    return "".join(lines)


def _line(grid: Grid, cells: Cells, numeric: Sequence[str], before: Row | None = None) -> str:
    dialect, header = grid.dialect, _header(grid)
    written = list(before.cells) if before else []
    written += [""] * (len(header) - len(written))
    for name, cell in cells.items():
        if name in header:
            number = name in numeric and is_number(cell, ".")
            written[header[name]] = cell.replace(".", dialect.decimal) if number else cell
    return dialect.delimiter.join(
        cell if is_number(cell, dialect.decimal) else as_cell(cell, dialect.delimiter)
        for cell in written)


def _pointed(cell, dialect):
    return cell if dialect.decimal == STRICT.decimal else cell.replace(",", ".")
