"""An exported delimited file to named columns of text, every row with its line.

Nothing is dropped without a word: job lines, footers and extra columns are skipped with a notice,
and only where they cannot be rows.
"""

import re
from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass, replace

from calib.intake.files.columns import KIND, SKIP, header_name, header_names, points_of_poses
from calib.intake.files.dialect import detect, holds
from calib.intake.files.field_units import known_unit, unit_in_remark, unit_stated
from calib.intake.files.headings import HEADINGS
from calib.intake.files.torn import complain_of_torn
from calib.run.complaints import Findings, quote
from calib.run.numerals import is_number
from calib.run.table import check_end
from calib.run.text import (
    STRICT,
    Dialect,
    Row,
    decode,
    note_commented,
    read_grid,
    split_cells,
    split_lines,
)


@dataclass(frozen=True)
class Export:
    """The rows of a file as text."""

    file: str
    dialect: Dialect
    columns: dict[str, tuple[str, ...]]  #: By our names, one cell per row.
    lines: tuple[int, ...]
    order: tuple[str, ...]  #: What each column of the file was taken for.
    raw: tuple[str, ...]  #: The rows as they stand in the file.
    header: int | None  #: Line of the header, be it one in other words.
    units: dict[str, str]  #: Units that the header states, by our names.
    #: Lines with words that state a unit of length, and which.
    remarks: tuple[tuple[int, str], ...] = ()

    def __len__(self) -> int:
        return len(self.lines)

    def __contains__(self, name):
        return name in self.columns


def read_export(
    data: bytes,
    file: str,
    findings: Findings,
    *,
    order: tuple[str, ...] | None,
    needed: tuple[str, ...],
    dialect: Dialect | None = None,
    beside: Collection[str] = (),
) -> Export | None:
    """Read a delimited file.

    Parameters
    ----------
    data : bytes
        The whole file.
    order : tuple of str or None
        Declared columns (`columns.parse_order`); None: the header must name them.
    needed : tuple of str
        Columns that must be there; those that hold numbers tell a row from other lines.
    beside : collection of str
        Headings of readings in the same rows. A row that has only them is none of these.

    Returns
    -------
    Export or None
        None after a complaint about the file as a whole. Rows at fault are left out of it,
        each with its complaint.
    """
    text = decode(data, file, findings)
    if text is not None and dialect is None:
        dialect = detect(text, file, order, needed, findings)
        if dialect not in (None, STRICT):
            findings.note(file, f"read with {dialect}")
    if text is None or dialect is None:
        return None
    grid = read_grid(text, file, findings, dialect=dialect)
    if grid is None:
        return None
    note_commented(grid, findings)
    rows = list(grid.rows)
    header = _find_header(rows)
    declared_order = order is not None
    order, units = _order_and_units(header, order, rows[0], file, findings)
    if order is None or not _complete(order, needed, file, findings):
        return None
    kept, header, units = _sorted_rows(rows, header, order, units, (needed, beside), grid, text,
                                       findings)
    if not kept:
        return None
    named, cells, filled = points_of_poses(order, [row.cells for row in kept])
    order = order if declared_order else named
    kept = [replace(row, cells=of) for row, of in zip(kept, cells, strict=True)]
    if filled:
        findings.note(file, f"{filled} rows without a pose are of the pose above them, which is "
                      "written in its first row alone")
    lines, all_lines = tuple(row.line for row in kept), split_lines(text)
    return Export(file, grid.dialect, _columns(kept, order), lines, order,
                  tuple(all_lines[n - 1].strip() for n in lines),
                  header.line if header else None, units, _remarks(all_lines, lines, grid.dialect))


def _columns(rows, order):
    """Cells by our names of the columns, date and time in one."""
    columns = {
        name: tuple(row.cells[i] if i < len(row.cells) else "" for row in rows)
        for i, name in enumerate(order) if name != SKIP
    }
    if "date" in columns:
        columns["time"] = tuple(map(_date_and_time, columns.pop("date"),
                                    columns.get("time", ("",) * len(rows))))
    return columns


def _date_and_time(date, time):
    """One cell of what stood in two columns."""
    return f"{date} {time}" if date and time else date or time


def _sorted_rows(rows, header, order, units, wanted, grid, text, findings):
    """The rows that hold points, the header and its units; complains if there are none."""
    file, (needed, beside) = grid.file, wanted
    others = {i for i, cell in enumerate(header.cells) if cell in beside} if header else set()
    if header is not None:
        rows = [row for row in rows if row is not header]
        _note_unused(header, order, others, file, findings)
    sorter = _Sorter(file, order, needed, grid.dialect, findings, header.line if header else 0,
                     others)
    kept = sorter.sort(rows, text)
    if header is None and sorter.worded is not None:
        header = sorter.worded
        units = {name: said for name, cell in zip(order, header.cells, strict=False)
                 if name != SKIP and (said := unit_stated(cell))}
    complain_of_torn(kept, order, grid.dialect, file, findings)
    if not kept and not findings.complaints:
        findings.complain(file, None, None, "no row of numbers", "at least one point")
    return kept, header, units


def _remarks(all_lines, rows, dialect):
    """Units of length that job lines, comments and commented headers state."""
    found = []
    for line in sorted(set(range(1, len(all_lines) + 1)) - set(rows)):
        text = all_lines[line - 1].lstrip("# \t")
        said = unit_in_remark(text)
        named = [header_name(cell) for cell in split_cells(text, dialect.delimiter) or ()]
        if said is None and sum(name is not None for name, _ in named) >= 2:
            units = [known_unit(unit) for name, unit in named
                     if unit and name and KIND.get(name) == "length"]
            said = next((unit for unit in units if unit), None)
        if said is not None:
            found.append((line, said))
    return tuple(found)


_GROUPED = re.compile(r"[+-]?\d{1,3}(,\d{3})+(\.\d*)?")


def _shape(cell: str) -> str:
    """What kind of characters an id is made of: 9 for digits, a for letters."""
    return re.sub(r"[^\W\d_]+", "a", re.sub(r"\d+", "9", cell))


def _find_header(rows: list[Row]) -> Row | None:
    """The first of the leading lines in which two cells or more are names of columns we know."""
    for row in rows[:20]:
        if sum(header_name(cell)[0] is not None for cell in row.cells) >= 2:
            return row
    return None


def _order_and_units(header, order, first, file, findings):
    """What each column is, and the units stated; None after a complaint."""
    if header is None:
        if order is None:
            findings.complain(
                file, first.line, None, quote(" ".join(first.cells)),
                "a header naming the columns (such as point, northing, easting, height), "
                "or the order declared with --order")
        return order, {}
    named, units = _named(header)
    if order is not None and not _agree(order, named):
        findings.complain(
            file, header.line, None,
            "a header saying " + ", ".join(n for n in named if n != SKIP),
            "what was declared: " + ", ".join(order))
        return None, units
    return order or named, units


def _named(header):
    names, units = [], {}
    for name, unit in header_names(header.cells):
        name = name if name in KIND else None
        # The second of two alike is left to `_complete` to complain of.
        names.append(name or SKIP)
        if name and unit:
            units[name] = unit
    return tuple(names), units


def _note_unused(header, order, others, file, findings):
    """Say which named columns are not used."""
    unused = [cell for i, cell in enumerate(header.cells)
              if cell and i not in others and not (others and header_name(cell)[0] == "stand")
              and (i >= len(order) or order[i] == SKIP)]
    if unused:
        findings.note(file, "columns not used: " + ", ".join(quote(c) for c in unused),
                      header.line)


def _agree(order, named):
    """Whether a header contradicts the declared order: a name we know in another place."""
    return all(
        said in (SKIP, declared) or declared == SKIP or _alike(said, declared)
        for declared, said in zip(order, named, strict=False)
    )


def _alike(said, declared):
    heights = {"up", "ellipsoidal_height"}
    return {said, declared} <= heights


def _complete(order, needed, file, findings):
    # Pose and target say which point it is: no other id is needed.
    enough = {*order, "point"} if {"pose", "target"} <= set(order) else order
    missing = [name for name in needed if name not in enough]
    twice = sorted({n for n in order if n != SKIP and order.count(n) > 1})
    for name in missing:
        findings.complain(
            file, None, name, "columns " + ", ".join(n for n in order if n != SKIP),
            f"a column for {name} (headers such as "
            + ", ".join(HEADINGS[name].split("|")[:3]) + ", or --order)",
        )
    for name in twice:
        findings.complain(file, None, name, "two columns of that meaning", "one (use --order)")
    return not missing and not twice


class _Sorter:
    """Tells rows from job lines, footers and damaged rows. Not for outside use."""

    def __init__(self, file, order, needed, dialect, findings, header, others):
        self.file, self.order, self.dialect, self.findings = file, order, dialect, findings
        self.header, self.others = header, others
        # Degrees, minutes and seconds are no plain numbers: any digit will do for an angle.
        self.numbers = [
            (i, KIND[n]) for i, n in enumerate(order)
            if n in needed and KIND[n] in ("length", "angle", "degrees")
        ]
        self.worded: Row | None = None
        self.shapes: set[str] = set()
        # Free text may be missing at the end of a line, or hold delimiters of its own.
        self.loose = len(order)
        while self.loose and order[self.loose - 1] in ("description", SKIP):
            self.loose -= 1

    def sort(self, rows, text):
        full = [row for row in rows if self._numbers_in(row) == len(self.numbers)]
        if not full:
            self._complain_of_all(rows)
            return []
        width = Counter(len(row.cells) for row in full).most_common(1)[0][0]
        first, last = full[0].line, full[-1].line
        self.shapes = {_shape(row.cells[0]) for row in full} if self.order[0] == "point" else set()
        kept, skipped = [], []
        above = [row for row in rows if row.line < first]
        if above and self._only_words(above[-1]):
            self.worded = above[-1]
            self.findings.note(self.file, "skipped, taken for a header in other words: "
                               + self._shown(self.worded), self.worded.line)
            rows = [row for row in rows if row is not self.worded]
        loose_numbers = any(self._number(c) for row in full for i, c in enumerate(row.cells)
                            if i >= self.loose and i not in self.others)
        for row in rows:
            if row.line > first and self._is_header(row):
                self.findings.complain(
                    self.file, row.line, None, f"another header, {quote(', '.join(row.cells))}",
                    "one table in a file: save what begins in this line as a file of its own, and "
                    "give both")
                return []
            where = "above" if row.line < first else "below" if row.line > last else "among"
            verdict = self._verdict(row, width, loose_numbers, where)
            if verdict is None and self._only_beside(row):
                continue
            if verdict is None:
                kept.append(row)
            elif verdict == "skip":
                skipped.append(row)
            else:
                self.findings.complain(self.file, row.line, None, self._shown(row), verdict)
        for row in skipped:
            self.findings.note(self.file, "skipped, not a row of numbers: " + self._shown(row),
                               row.line)
        self._note_extra_columns(kept, width)
        if kept and kept[-1] is rows[-1]:
            # A last line without line end may have been cut while the file was being written.
            alike = [row for row in kept if len(row.cells) == len(kept[-1].cells)]
            check_end(text, self.file, alike, self.dialect.decimal, self.findings)
        return kept

    def _complain_of_all(self, rows):
        row = rows[0] if rows else None
        grouped = row and self.dialect.decimal == "." and any(
            _GROUPED.fullmatch(row.cells[i]) for i, _ in self.numbers if i < len(row.cells))
        self.findings.complain(
            self.file, row.line if row else None, None,
            self._shown(row) if row else "no rows",
            "rows with numbers for "
            + ", ".join(self.order[i] for i, _ in self.numbers)
            + f" ({self.dialect}" + ("; without marks between thousands" if grouped else "") + ")",
        )

    def _verdict(self, row, width, loose_numbers, where):
        """None to keep a row, "skip" to skip it, else what was expected of it."""
        cells = len(row.cells)
        if row.line < self.header and not self._numbers_in(row):
            return "skip"
        if cells == width or (self._fits_loosely(row, width) and not loose_numbers):
            blank = all(not row.cells[i] for i, _ in self.numbers if i < cells)
            if blank and where != "among" and cells == width:
                return "skip"
            return None
        numbers = self._numbers_in(row)
        any_number = any(self._number(c) for c in row.cells)
        # Job lines may hold a number or two; below the rows a short line may be a damaged one.
        few = numbers < 2 and (cells < width if where == "above" else cells <= 2)
        if self._begins_like(row, where, width):
            few, any_number = False, True
        if not any_number or (where != "among" and few):
            return "skip"
        return f"{width} cells as in the other rows, not {cells}"

    def _shown(self, row):
        return quote(self.dialect.delimiter.join(row.cells))

    def _is_header(self, row):
        """Whether a row below the first names columns, other ones than the header."""
        words = [cell for cell in row.cells if cell]
        return (self.header and len(words) > 2 and not any(map(self._number, words))
                and any(header_name(cell)[0] is not None for cell in words))

    def _only_beside(self, row):
        """Whether a row has readings, and none of the numbers of a point."""
        filled = {i for i, cell in enumerate(row.cells) if cell}
        return bool(filled & self.others) and not filled & {i for i, _ in self.numbers}

    def _begins_like(self, row, where, width):
        """Whether a line begins with an id like those of the rows, or has a first number above
        them: a row with a cell lost, or two."""
        shape, first = _shape(row.cells[0]), self.numbers[0][0]
        if any(shape.startswith(s) for s in self.shapes if "9" in s and s != "9"):
            return len(row.cells) > 1
        return len(row.cells) >= width - 1 and (shape in self.shapes or (
            where == "above" and first < len(row.cells) and self._number(row.cells[first])))

    def _only_words(self, row):
        """Whether a line has a word, without a digit, wherever a row has a number."""
        cells = [row.cells[i] for i, _ in self.numbers if i < len(row.cells)]
        return len(cells) == len(self.numbers) and all(
            cell[:1].isalpha() and not re.search(r"\d", cell)
            and cell.casefold() not in ("nan", "inf", "infinity", "na", "none", "null")
            for cell in cells)

    def _fits_loosely(self, row, width):
        return (len(row.cells) >= self.loose and self.loose < len(self.order)
                and self._numbers_in(row) == len(self.numbers))

    def _numbers_in(self, row):
        return sum(i < len(row.cells) and holds(row.cells[i], kind, self.dialect)
                   for i, kind in self.numbers)

    def _number(self, cell):
        return is_number(cell, self.dialect.decimal)

    def _note_extra_columns(self, kept, width):
        """Columns beyond the order: text is skipped with a notice, numbers must be declared."""
        extra = range(len(self.order), width)
        if not kept or not extra:
            return
        filled = [(row, i) for row in kept for i in extra if i < len(row.cells) and row.cells[i]]
        numeric = [(row, i) for row, i in filled if self._number(row.cells[i])]
        if numeric:
            row, i = numeric[0]
            self.findings.complain(
                self.file, row.line, str(i + 1), quote(row.cells[i]),
                f"no number beyond the {len(self.order)} columns declared (name it in --order, "
                "or put - there to skip it)",
            )
        elif filled:
            self.findings.note(
                self.file, f"columns after the first {len(self.order)} not used ("
                f"{quote(filled[0][0].cells[filled[0][1]])} and the like)")
