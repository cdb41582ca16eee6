"""A time-stamped log of any length, read in blocks: what the sensors said while shots were taken.

Of every row only the time is looked at; the readings are read, by the one number parser, only in
the rows asked for. So the memory needed does not grow with the file.
"""

import codecs
import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from io import IncrementalNewlineDecoder
from pathlib import Path
from typing import Any

import numpy as np

from calib.intake.files.columns import header_in, header_name
from calib.intake.files.dialect import by_marks, content_lines
from calib.intake.files.field_units import Span, as_read, reading_units, without_unit
from calib.intake.files.times import TimeFormat
from calib.run.complaints import Findings, quote
from calib.run.numerals import NotANumber, parse_number, refuse_dropped
from calib.run.text import COMMENT, STRICT, Dialect, Row, ordinary, split_cells, whole_lines

BLOCK = 8 << 20
"""Bytes read at a time."""

_LONGEST_LINE = 1 << 20
_LONGEST_TIME = 40
_MOST_COMPLAINTS = 20


@dataclass(frozen=True)
class LogLayout:
    """How a log is written."""

    dialect: Dialect
    time: int  #: Column of the time, or of the date if the time stands in the next one.
    columns: dict[str, int]  #: Column of each reading.
    units: dict[str, str]  #: Unit of each reading that is not in degrees, or metres of a stroke.
    strokes: Mapping[str, Span]  #: The readings that are strokes, and what they can be, m.
    width: int  #: Cells in a row; empty ones at its end may be missing or too many.
    first_line: int  #: Line of the first row after the header, from 1.
    time_columns: int = 1  #: 1, or 2: both cells and the delimiter between them are the time.


@dataclass(frozen=True)
class Gap:
    """No rows between two lines of the log; seconds of the log's clock."""

    line: int
    start: float
    end: float


@dataclass
class LogRows:
    """Rows of one window: lines, seconds (n,), readings (n, k) in deg."""

    lines: list[int] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    readings: list[list[float]] = field(default_factory=list)


@dataclass(frozen=True)
class LogSummary:
    """What was seen of the whole log."""

    rows: int
    #: start, end: Seconds.
    start: float
    end: float
    gaps: tuple[Gap, ...]
    sha256: str


@dataclass(frozen=True)
class Block:
    """Consecutive rows: the bytes, where each line begins and ends, and the times."""

    data: bytes
    starts: np.ndarray
    ends: np.ndarray
    seconds: np.ndarray
    lines: np.ndarray

    def text(self, row: int) -> str:
        return self.data[self.starts[row]:self.ends[row]].decode("utf-8", "replace")


def read_layout(
    path: Path, findings: Findings, names: dict[str, tuple[str, ...]], time: str | None = None,
    strokes: Mapping[str, Span] = {},
) -> LogLayout | None:
    """Find the header of a log and the columns wanted.

    Parameters
    ----------
    names : dict of str to tuple of str
        For each reading the headers it may have.
    time : str or None
        The header of the time; None: any that means it, or a date and after it a time.
    strokes : mapping of str to (float, float)
        The readings that are strokes, and what they can be, m.

    Returns
    -------
    LogLayout or None
        None after a complaint.
    """
    with ordinary(path).open("rb") as stream:
        head = stream.read(1 << 16)
    if b"\x00" in head:
        findings.complain(path.name, None, None, "bytes that are not text",
                          "a log in UTF-8 (UTF-16 and binary logs must be exported as text)")
        return None
    if len(head) == 1 << 16:
        head = whole_lines(head) or head
    lines = content_lines(head.decode("utf-8-sig", "replace"))
    if not lines:
        findings.complain(path.name, None, None, "an empty file", "a log")
        return None
    wanted = {without_unit(h)[0]: name for name, headers in names.items() for h in (name, *headers)}

    def meaning(cell):
        """The reading that a header cell is, "time" or "date"."""
        words, of_time = without_unit(cell)[0], header_name(cell)[0]
        if time is not None:
            of_time = "time" if words == without_unit(time)[0] else None
        return wanted.get(words) or (of_time if of_time in ("time", "date") else None)

    found = header_in([line for _, line in lines], meaning)
    meant = [meaning(cell) for cell in found[2]] if found else []
    if found is None or not {"time", "date"} & set(meant):
        findings.complain(
            path.name, lines[0][0], None, quote(lines[0][1].strip()),
            "a header with a time (such as time, timestamp, date and time; or say which with "
            "--reading time=...) and the readings " + ", ".join(names),
        )
        return None
    at, delimiter, cells = found
    dialect = by_marks([line for _, line in lines[at + 1:]], delimiter)
    if dialect != STRICT:
        findings.note(path.name, f"read with {dialect}")
    return _layout_of(Row(lines[at][0], cells), meant, dialect, path.name, findings, names, strokes)


def _layout_of(row, meant, dialect, file, findings, names, strokes):
    columns = {name: meant.index(name) for name in names if name in meant}
    for name in (*names, "time", "date"):
        if meant.count(name) > 1:
            findings.complain(file, row.line, name, "two columns of that name", "one")
        elif name in names and name not in columns:
            findings.complain(file, row.line, name, "columns " + ", ".join(row.cells),
                              f"a column for the reading {name} (say which with --reading)")
    first = meant.index("date" if "date" in meant else "time")
    both = "date" in meant and "time" in meant
    if both and meant[first:first + 2] != ["date", "time"]:
        findings.complain(file, row.line, "time", "columns " + ", ".join(row.cells),
                          "the time in the column after the date")
    units = reading_units({n: row.cells[i] for n, i in columns.items()}, file, row.line, findings,
                          strokes)
    if findings.complaints:
        return None
    unused = [c for c, n in zip(row.cells, meant, strict=True) if n is None and c]
    if unused:
        findings.note(file, "columns not used: " + ", ".join(quote(c) for c in unused), row.line)
    width = max(i for i, cell in enumerate(row.cells, 1) if cell)
    return LogLayout(dialect, first, columns, units, strokes, width, row.line + 1,
                     2 if both else 1)


def blocks(
    path: Path, layout: LogLayout, times: TimeFormat, findings: Findings, digest: Any
) -> Iterator[Block]:
    """The rows of a log, a block at a time; complains of times that cannot be read.

    `digest` (a hashlib object) is fed every byte. In the blocks LF ends every line, whatever did.
    """
    rest, line, more = b"", 1, True
    unix = IncrementalNewlineDecoder(codecs.getincrementaldecoder("latin-1")(), translate=True)
    with path.open("rb") as stream:
        while more:
            data = stream.read(BLOCK)
            digest.update(data)
            more = bool(data)
            data = rest + unix.decode(data, final=not more).encode("latin-1")
            cut = data.rfind(b"\n") + 1
            if cut == 0 and len(data) > _LONGEST_LINE:
                findings.complain(path.name, line, None, "no line end in a million bytes",
                                  "a text file with line ends")
                return
            rest, data = data[cut:], data[:cut]
            if data:
                yield _block(data, line, path.name, layout, times, findings)
                line += data.count(b"\n")
            if len(findings.complaints) >= _MOST_COMPLAINTS:
                findings.note(path.name, "reading stopped after that many complaints", line)
                return
    if rest.strip() and line == 1:
        findings.complain(path.name, 1, None, "no line end in the whole file",
                          "a text file with line ends")
    elif rest.strip():
        findings.note(path.name, "the last line has no line end and may be incomplete: not used ("
                      + quote(rest.decode("utf-8", "replace").strip()) + ")", line)


def _block(data, first_line, file, layout, times, findings):
    raw = np.frombuffer(data, np.uint8)
    ends = np.flatnonzero(raw == ord("\n"))
    starts = np.concatenate([[0], ends[:-1] + 1])
    lines = first_line + np.arange(len(starts))
    wanted = (lines >= layout.first_line) & (ends > starts)
    wanted &= (ends - starts > 1) | (raw[starts] != ord("\f"))
    for row in np.flatnonzero(wanted & (raw[starts] == ord("#"))):
        wanted[row] = not COMMENT.match(data[starts[row]:ends[row]].decode("latin-1"))
    starts, ends, lines = starts[wanted], ends[wanted], lines[wanted]
    begin, width = _time_cells(raw, starts, ends, layout)
    seconds = np.full(len(starts), np.nan)
    problem = np.ones(len(starts), np.int8)
    sound = (width > 0) & (width <= _LONGEST_TIME)
    if sound.any():
        widest = int(width[sound].max())
        at = np.minimum(begin[sound, None] + np.arange(widest), len(raw) - 1)
        seconds[sound], problem[sound] = times.parse_many(raw[at], width[sound])
    for row in np.flatnonzero(problem)[:_MOST_COMPLAINTS]:
        text = data[begin[row]:begin[row] + max(width[row], 0)].decode("utf-8", "replace")
        findings.complain(file, int(lines[row]), "time", quote(text), times.explain(problem[row]))
    good = problem == 0
    return Block(data, starts[good], ends[good], seconds[good], lines[good])


def _time_cells(raw, starts, ends, layout):
    """Where the time of each line begins and how wide it is; 0 where the line has none.

    A date and a time in two columns are one cell here, with the delimiter in it.
    """
    delimiter, last = ord(layout.dialect.delimiter), layout.time + layout.time_columns - 1
    if last == 0 and len(starts):
        # Times of one width, the same as in the first row, need no search. Whether what stands
        # there is a time is seen when it is read.
        width = int(np.argmax(raw[starts[0]:ends[0]] == delimiter))
        bare = raw[starts[0]] not in b' "' and raw[starts[0] + width - 1] not in b' "'
        ends_there = raw[np.minimum(starts + width, len(raw) - 1)] == delimiter
        if 0 < width and bare and ends_there.all():
            return starts, np.full(len(starts), width)
    marks = np.flatnonzero(raw == delimiter)
    marks = np.append(marks, np.full(last + 1, len(raw)))
    first = np.searchsorted(marks, starts)
    begin = starts if layout.time == 0 else marks[first + layout.time - 1] + 1
    end = np.minimum(marks[first + last], ends)
    missing = begin > ends
    begin = np.where(missing, starts, begin)
    end = np.where(missing, starts, end)
    # Spaces and quotes around the time.
    for _ in range(3):
        inside = begin < end
        head = raw[np.minimum(begin, len(raw) - 1)]
        begin = begin + (inside & np.isin(head, (ord(" "), ord('"'))))
        tail = raw[np.maximum(end - 1, 0)]
        end = end - ((begin < end) & np.isin(tail, (ord(" "), ord('"'))))
    return begin, end - begin


def gather(
    path: Path,
    layout: LogLayout,
    times: TimeFormat,
    windows: np.ndarray,
    findings: Findings,
) -> tuple[list[LogRows], LogSummary]:
    """The rows of the log inside windows of time.

    Parameters
    ----------
    windows : ndarray, shape (m, 2)
        Start and end, seconds of the log's clock.

    Returns
    -------
    list of LogRows
        One per window.
    LogSummary
    """
    digest = hashlib.sha256()
    found = [LogRows() for _ in windows]
    watch = _Watch(path.name, findings)
    for block in blocks(path, layout, times, findings, digest):
        if not len(block.seconds):
            continue
        watch.see(block)
        for window, rows in zip(windows, found, strict=True):
            if window[1] < block.seconds[0] or window[0] > block.seconds[-1]:
                continue
            first = np.searchsorted(block.seconds, window[0], side="left")
            last = np.searchsorted(block.seconds, window[1], side="right")
            read_rows(block, range(first, last), layout, path.name, findings, rows)
    return found, watch.summary(digest.hexdigest())


def read_rows(block: Block, wanted: Iterable[int], layout: LogLayout, file: str,
              findings: Findings, into: LogRows) -> None:
    """Read the readings of some rows of a block, in deg; complains of rows with more or fewer cells
    than the header, and of cells that are no angles."""
    for row in wanted:
        cells = split_cells(block.text(row), layout.dialect.delimiter) or ()
        line = int(block.lines[row])
        if len(cells) < layout.width or any(cells[layout.width:]):
            hint = (" (decimal commas need semicolons or tabs between columns)"
                    if layout.dialect.delimiter == "," and len(cells) > layout.width else "")
            findings.complain(file, line, None, f"{len(cells)} cells",
                              f"{layout.width} cells as in the header{hint}")
            continue
        values = [_reading(cells[column], name, line, layout, file, findings)
                  for name, column in layout.columns.items()]
        if not any(np.isnan(values)):
            into.lines.append(line)
            into.seconds.append(float(block.seconds[row]))
            into.readings.append(values)


def _reading(cell, name, line, layout, file, findings):
    """One cell in deg; NaN after a complaint."""
    try:
        value = as_read(parse_number(cell, layout.dialect.decimal), layout.units.get(name),
                        layout.strokes.get(name))
        refuse_dropped(cell, layout.dialect.decimal)
        return value
    except NotANumber as error:
        findings.complain(file, line, name, quote(cell), error.expected)
        return np.nan


class _Watch:
    """Follows the clock of a log from block to block. Not for outside use."""

    def __init__(self, file, findings):
        self.file, self.findings = file, findings
        self.rows, self.start, self.last, self.step = 0, np.nan, np.nan, None
        self.gaps: list[Gap] = []

    def see(self, block):
        seconds = block.seconds
        if self.rows == 0:
            self.start = self.last = float(seconds[0])
        steps = np.diff(seconds, prepend=self.last)
        for row in np.flatnonzero(steps < 0)[:_MOST_COMPLAINTS]:
            self.findings.complain(
                self.file, int(block.lines[row]), "time",
                f"a time {-steps[row]:.3f} s before the line above", "times in order")
        if self.step is None and len(steps) > 1:
            self.step = max(float(np.median(steps[1:])), 1e-3)
        if self.step is not None:
            for row in np.flatnonzero(steps > max(5.0 * self.step, 1.0)):
                end = float(seconds[row])
                self.gaps.append(Gap(int(block.lines[row]), end - float(steps[row]), end))
        self.rows += len(seconds)
        self.last = float(seconds[-1])

    def summary(self, sha256):
        return LogSummary(self.rows, float(self.start), float(self.last), tuple(self.gaps), sha256)
