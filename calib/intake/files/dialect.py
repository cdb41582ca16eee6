"""Which delimiter and decimal mark a field file has, told by its header or by its numbers."""

import re
from collections.abc import Sequence

from calib.intake.files.columns import KIND, header_in, header_name
from calib.run.complaints import Findings, quote
from calib.run.numerals import decimal_marks_in, is_number
from calib.run.text import DIALECTS, Dialect, split_cells, split_lines


def content_lines(text: str) -> list[tuple[int, str]]:
    """Lines that are neither blank nor comments, with their numbers."""
    return [(n, line) for n, line in enumerate(split_lines(text), 1)
            if line.strip() and not line.lstrip().startswith("#")]


def detect(
    text: str, file: str, order: tuple[str, ...] | None, needed: tuple[str, ...],
    findings: Findings,
) -> Dialect | None:
    """The pair of delimiter and decimal mark.

    With a declared order: the pair under which most lines have numbers where the order says so;
    lines with just as many cells as the order count first. Else: the delimiter under which a
    header names most columns, with the decimal mark of the cells below.

    Returns
    -------
    Dialect or None
        None after a complaint: no pair fits, or two fit and read different numbers.
    """
    lines = content_lines(text)
    if not lines:
        findings.complain(file, None, None, "only comments", "rows of numbers")
        return None
    if order is None:
        header = header_in([line for _, line in lines], lambda cell: header_name(cell)[0])
        if header is None:
            findings.complain(
                file, lines[0][0], None, quote(lines[0][1].strip()),
                "a header naming the columns (such as point, northing, easting, height), or the "
                "order declared with --order")
            return None
        return by_marks([line for _, line in lines], header[1])
    scores = {d: _score(lines, d, order, needed) for d in DIALECTS}
    best = [d for d in DIALECTS if scores[d] == max(scores.values())]
    if scores[best[0]] == (0, 0):
        findings.complain(
            file, lines[0][0], None, quote(lines[0][1].strip()),
            "rows of " + ", ".join(order) + ", with commas, semicolons, tabs or spaces between")
        return None
    if len({d.delimiter for d in best}) == 1:
        if len(best) == 1 or not _marks([line for _, line in lines], best[0].delimiter):
            return best[0]
    findings.complain(
        file, lines[0][0], None, "a file that can be read in more than one way ("
        + "; or ".join(str(d) for d in best) + ")", "--delimiter and --decimal stated")
    return None


def by_marks(lines: Sequence[str], delimiter: str) -> Dialect:
    """The dialect with the decimal mark of more cells; each of the other gets its complaint later.
    """
    marks = [] if delimiter in ", " else _marks(lines, delimiter)
    return Dialect(delimiter, "," if marks.count(",") > marks.count(".") else ".")


def _marks(lines, delimiter):
    marks = (decimal_marks_in(cell) for line in lines
             for cell in split_cells(line, delimiter) or ())
    return [mark for mark in marks if mark]


def _score(lines, dialect, order, needed):
    """Lines with a number in every column that needs one: those of the order's width, and all."""
    columns = [(i, KIND[n]) for i, n in enumerate(order)
               if n in needed and KIND[n] in ("length", "angle", "degrees")]
    exact = full = 0
    for _, line in lines:
        cells = split_cells(line, dialect.delimiter) or ()
        if all(i < len(cells) and holds(cells[i], kind, dialect) for i, kind in columns):
            full += 1
            exact += len(cells) == len(order)
    return exact, full


def holds(cell: str, kind: str, dialect: Dialect) -> bool:
    """Whether a cell can be a value of its kind; degrees, minutes and seconds are no number."""
    if kind == "angle":
        return re.search(r"\d", cell) is not None and not re.search(r"[A-Za-z]{2}", cell)
    return is_number(cell, dialect.decimal)
