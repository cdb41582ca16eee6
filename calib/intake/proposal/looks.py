"""What a field file is at first sight: its header, its rows, its part in an import."""

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from calib.intake.files.columns import header_in, header_name, header_names, points_of_poses
from calib.intake.files.dialect import content_lines
from calib.intake.files.field_units import plain, without_unit
from calib.intake.files.landxml import is_landxml
from calib.intake.files.times import patterns_of, seconds_of
from calib.intake.proposal.words import reading_meant
from calib.run.complaints import Findings
from calib.run.numerals import is_number
from calib.run.text import DIALECTS, decode, ordinary, split_cells, whole_lines

_AXES = ({"east", "north", "up"}, {"latitude", "longitude"}, {"x", "y"})
_NAMED = frozenset({"point", "pose", "target", "description"})
_ENOUGH = 2
"""So many columns of readings make a sheet or a log."""

HEAD = 1 << 18
"""Bytes looked at."""

_LIKE_NOW = 631_152_000.0
"""Times here are of 1990 or later, s: what is less is another number."""

ROLES = {
    "points": "shots: points with coordinates",
    "pointings": "shots: raw directions, angles and distances",
    "known": "known points that the instrument sighted",
    "setups": "what was measured of the set-ups",
    "log": "a time-stamped log of the sensors",
    "sheet": "readings written by hand, a row for each pose",
    "booking": "a booking sheet: point, pose, target",
}


@dataclass(frozen=True)
class Look:
    """A file at first sight."""

    path: Path
    role: str  #: One of `ROLES`; "" if it cannot be told.
    header: tuple[str, ...]  #: Cells of the header; empty without one.
    meant: tuple[str | None, ...]  #: What each column means: our name of it, or that of a reading.
    rows: tuple[tuple[str, ...], ...]  #: The cells of the first rows after the header.
    delimiter: str
    data: bytes  #: The beginning of the file.
    beside: tuple[str, ...] = ()  #: Headings of readings, where shots stand in the same rows.

    def column(self, name: str) -> list[str]:
        """The cells of a column by our name, "" where a row is short; empty without it."""
        if name not in self.meant:
            return []
        at = self.meant.index(name)
        return [row[at] if at < len(row) else "" for row in self.rows]

    @property
    def wide(self) -> bool:
        """Whether the header names several points, each with east, north and height."""
        last = [plain(cell).split()[-1:] for cell in self.header]
        named = [header_name(word[0])[0] for word in last if word]
        return min(named.count(axis) for axis in ("east", "north", "up")) > 1

    @property
    def sideways(self) -> bool:
        """Whether readings stand in rows, a column for each pose."""
        first = (row for row in re.split(rb"[\r\n]+", self.data[:10_000]))
        names = (re.split(rb"[,;\t]", row)[0].decode("utf-8", "replace").strip('" ')
                 for row in first)
        return sum(reading_meant(name) is not None for name in names) > _ENOUGH

    def times_in_order(self) -> list[str]:
        """The headings that say nothing to us and have times below them, each later than the last.
        """
        return [cell for i, (cell, meant) in enumerate(zip(self.header, self.meant, strict=True))
                if meant is None and cell
                and _in_order([row[i] for row in self.rows[:50] if i < len(row)])]


def look_at(path: Path, readings: Sequence[str], called: Mapping[str, str] = {}) -> Look:
    """Look at the beginning of a file.

    Parameters
    ----------
    readings : sequence of str
        The readings of the rig.
    called : mapping of str to str
        Headings by our names of them, as a person has told them: readings, pose, stand and time.

    Raises
    ------
    OSError
    InputError
        If it is no text.
    """
    with ordinary(path).open("rb") as stream:
        data = stream.read(HEAD)
    if len(data) == HEAD:
        data = whole_lines(data) or data
    if is_landxml(data):
        return Look(path, "points", (), (), (), "", data)
    findings = Findings()
    text = decode(data, path.name, findings)
    findings.stop_if_at_fault()
    lines = content_lines(text or "")
    told = {cell: name for name, cell in called.items()
            if name in {*readings, "pose", "stand", "time"}}
    found = header_in([line for _, line in lines], lambda cell: (
        cell in told or _meaning(cell, readings, header_name(cell)[0])))
    at, delimiter, header = found or (0, "", ())
    meant = tuple(told.get(cell) or _meaning(cell, readings, name)
                  for cell, (name, _) in zip(header, header_names(header), strict=True))
    rows = tuple(split_cells(line, delimiter) or () for _, line in lines[at + 1:]) if header else ()
    meant, rows, _ = points_of_poses(meant, rows)
    role = _role(meant, readings, lines)
    beside = tuple(cell for cell, name in zip(header, meant, strict=True)
                   if name in readings and role in ("points", "pointings"))
    look = Look(path, role, header, meant, rows, delimiter, data,
                beside if len(beside) >= _ENOUGH else ())
    timed = {"time", "date"} & set(meant) or look.times_in_order()
    return replace(look, role="") if look.role == "log" and not timed else look


def _in_order(cells):
    """Whether cells are times, each later than the one before; small numbers are only numbers."""
    for pattern in patterns_of(cells) if len(cells) > 2 else ():
        seconds = [seconds_of(cell, pattern, "UTC") or 0.0 for cell in cells]
        if min(seconds) > _LIKE_NOW and all(b > a for a, b in itertools.pairwise(seconds)):
            return True
    return False


def _meaning(cell, readings, name):
    reading, words = reading_meant(cell), without_unit(cell)[0]
    # Which of x and y is east differs from country to country: they keep their own names.
    if reading in readings or words in ("x", "y"):
        return reading if reading in readings else words
    return name


def _role(meant, readings, lines):
    names = set(meant)
    raw = {"direction", "zenith", "distance"} <= names
    shots = (raw or any(axes <= names for axes in _AXES)) and bool(names & _NAMED)
    if len(names & set(readings)) >= _ENOUGH and not shots:
        return "sheet" if "pose" in names else "log"
    if raw:
        return "pointings"
    if any(axes <= names for axes in _AXES):
        return "setups" if "setup" in names and not names & {"pose", "target"} else "points"
    if {"setup", "instrument_height"} <= names:
        return "setups"
    if {"point", "pose", "target"} <= names:
        return "booking"
    # Without a header, rows of numbers can only be a list of points.
    numeric = any(
        sum(is_number(cell, dialect.decimal) for cell in
            split_cells(line, dialect.delimiter) or ()) >= 3
        for _, line in lines[:20] for dialect in DIALECTS)
    return "points" if numeric and not meant else ""
