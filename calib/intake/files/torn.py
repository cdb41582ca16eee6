"""Numbers torn at a comma: 1,050.1887 and 50,1887 between commas are two cells each.

What follows a torn number moves one column on. Only free text can take that up without a word, so
it is there that it shows: digits where a description stands.
"""

import re
from collections import Counter

from calib.intake.files.columns import KIND, SKIP
from calib.run.complaints import Findings, quote
from calib.run.numerals import is_number
from calib.run.text import Dialect, Row

_WHOLE = re.compile(r"[+-]?\d+")
_REST = re.compile(r"\d+|\d{3}\.\d*")
_NUMBERS = ("length", "degrees")


def complain_of_torn(
    rows: list[Row], order: tuple[str, ...], dialect: Dialect, file: str, findings: Findings
) -> None:
    """Complain of rows in which a number may be torn, and of descriptions that are measurements."""
    if dialect.delimiter in ", ":
        _complain_of_halves(rows, order, dialect, file, findings)
    _complain_of_measured(rows, order, dialect, file, findings)


def _complain_of_halves(rows, order, dialect, file, findings):
    lengths = [i for i, name in enumerate(order) if _kind(name) in _NUMBERS]
    decimals = any("." in row.cells[i] for row in rows for i in lengths if i < len(row.cells))
    for i in lengths:
        text_follows = i + 1 >= len(order) or _kind(order[i + 1]) not in (*_NUMBERS, "angle")
        halves, codes = [], set()
        for row in rows:
            if i + 1 >= len(row.cells):
                continue
            left, right = row.cells[i:i + 2]
            too_many = any(row.cells[len(order):])
            if not (text_follows or too_many):
                continue
            if not _WHOLE.fullmatch(left):
                codes.add(right)
            elif _REST.fullmatch(right) and (text_follows or len(left.lstrip("+-")) <= 3):
                halves.append((row.line, left, right))
        halves = [h for h in halves if h[2] not in codes]
        if not decimals and not _differ([right for _, _, right in halves], len(rows)):
            continue
        for line, left, right in halves:
            between = dialect.delimiter
            findings.complain(file, line, order[i], f"{quote(left)} followed by {quote(right)}",
                              f"a number in one cell (is {left}{between}{right} one number with a "
                              "decimal comma or a thousands mark? Its delimiter must be another)")


def _differ(rests, count):
    """Whether what follows is of three digits and differs from row to row, as no code does."""
    return (len(rests) >= 3 and all(len(r) == 3 for r in rests)
            and len(set(rests)) > count / 2)


def _complain_of_measured(rows, order, dialect, file, findings):
    if "description" not in order:
        return
    at = order.index("description")
    cells = [(row.line, row.cells[at]) for row in rows if at < len(row.cells)]
    often = Counter(cell for _, cell in cells)
    measured = [(line, cell) for line, cell in cells
                if dialect.decimal in cell and is_number(cell, dialect.decimal)
                and often[cell] == 1]
    if measured:
        line, cell = measured[0]
        findings.complain(
            file, line, "description", f"{quote(cell)} (such numbers in {len(measured)} row(s))",
            "words or a code: is a cell or a column too many before it? (--order with - skips a "
            "column)")


def _kind(name):
    return "text" if name == SKIP else KIND[name]
