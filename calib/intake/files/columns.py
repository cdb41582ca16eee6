"""The columns a field file can have: our names, what other people call them, and `--order`."""

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from functools import lru_cache
from itertools import accumulate
from typing import Any

from calib.intake.files.field_units import last_words, without_unit
from calib.intake.files.headings import HEADINGS
from calib.intake.files.times import zone_stated
from calib.run.complaints import Findings
from calib.run.table import Column, Table, read_table
from calib.run.text import decode, split_cells

SKIP = "-"
"""In an order: a column that is not wanted."""

LETTERS = {"P": "point", "N": "north", "E": "east", "Z": "up", "D": "description"}
"""The trade's letters for point files (PNEZD and the like)."""

_HEADER_WITHIN = 20
"""So many first lines may hold the header."""

_KINDS = {
    "text": "point description pose target setup face",
    "length": "north east up ellipsoidal_height sd_east sd_north sd_up sd_horizontal "
              "rms_horizontal distance target_height instrument_height",
    "angle": "direction zenith",
    "degrees": "latitude longitude",
    "covariance": "cov_east_east cov_north_north cov_up_up cov_east_north cov_east_up cov_north_up",
    "time": "date time",
}
KIND = {name: kind for kind, names in _KINDS.items() for name in names.split()}
"""What a cell of each column of a file of shots holds; "angle" is in the declared angle unit,
"degrees" always in degrees."""

_OF_TIME = {name for name, kind in KIND.items() if kind == "time"}

_BY_HEADER = {
    header: name for name, headers in HEADINGS.items()
    for header in (name.replace("_", " "), *headers.split("|"))
}


class OrderText(ValueError):
    """An order that cannot be understood; the message says why."""


def parse_order(text: str) -> tuple[str, ...]:
    """Column names of an order as declared.

    Either the trade's letters (PNEZD) or names with commas between, ours or any that a header may
    have; ``-`` for a column that is not wanted.

    Raises
    ------
    OrderText

    Examples
    --------
    >>> parse_order("PENZD")
    ('point', 'east', 'north', 'up', 'description')
    >>> parse_order("point, -, easting, northing, height")
    ('point', '-', 'east', 'north', 'up')
    """
    text = text.strip()
    if "," in text:
        words = [word.strip() for word in text.split(",")]
        meant = (header_name(word)[0] or "" for word in words)
        names = tuple(SKIP if word == SKIP else name if name in KIND else ""
                      for word, name in zip(words, meant, strict=True))
        if "" in names:
            raise OrderText(f"no column is called {words[names.index('')]!r}; there are "
                            + ", ".join(KIND) + " and - for one to skip")
    else:
        unknown = [c for c in text.upper() if c not in LETTERS and c != SKIP]
        if unknown or not text:
            raise OrderText(f"{text!r} is no order; use the letters P (point), N, E, Z (height), "
                            "D (description), as in PNEZD, or names with commas between")
        names = tuple(LETTERS.get(c, SKIP) for c in text.upper())
    twice = [name for name in names if name != SKIP and names.count(name) > 1]
    if twice:
        raise OrderText(f"{twice[0]} stands twice in the order")
    return names


@lru_cache(maxsize=4096)
def header_name(cell: str) -> tuple[str | None, str | None]:
    """Our name for a header cell, and the unit it states (in brackets, or as its last word); None
    for each if none.

    Examples
    --------
    >>> header_name("Northing (m)"), header_name("POINT_ID"), header_name("x")
    (('north', 'm'), ('point', None), (None, None))
    >>> header_name("elev_ft"), header_name("UTC time")
    (('up', 'ft'), ('time', 'utc'))
    >>> header_name("X_oost"), header_name("northing (Y)")
    (('east', None), ('north', None))
    """
    words, said = without_unit(cell)
    said = None if said in ("x", "y", "X", "Y") else said
    if words in _BY_HEADER:
        return _BY_HEADER[words], said
    for name, unit in last_words(words):
        if name in _BY_HEADER:
            return _BY_HEADER[name], unit if said is None else said
    axis = _BY_HEADER.get(" ".join(w for w in words.split() if w not in ("x", "y")))
    if axis in ("east", "north"):
        return axis, said
    for zone in filter(zone_stated, words.split()):
        rest = _BY_HEADER.get(" ".join(w for w in words.split() if w != zone), "")
        if rest in _OF_TIME:
            return rest, zone
    return None, said


def header_names(cells: Sequence[str]) -> list[tuple[str | None, str | None]]:
    """`header_name` of the cells of a header; one alone may mean the point beside others.

    Examples
    --------
    >>> [name for name, _ in header_names(("P", "N", "E", "Z"))]
    ['point', 'north', 'east', 'up']
    >>> [name for name, _ in header_names(("Station", "Target", "Hz", "V", "SD"))]
    ['setup', 'point', 'direction', 'zenith', 'distance']
    """
    found = [header_name(cell) for cell in cells]
    names = [name for name, _ in found]
    if "point" not in names:
        if {"north", "east"} <= set(names):
            found = [("point", None) if cell.strip() in ("P", "p") else one
                     for cell, one in zip(cells, found, strict=True)]
        elif {"direction", "zenith"} <= set(names) and "pose" not in names:
            found = [("point", None) if one[0] == "target" else one for one in found]
    return found


def header_in(
    lines: Sequence[str], named: Callable[[str], object], least: int = 2
) -> tuple[int, str, tuple[str, ...]] | None:
    """The header among the first lines of a file: which one it is, its delimiter and its cells.

    Parameters
    ----------
    lines : sequence of str
        Without comments.
    named : callable
        Whether a cell is the name of a column. The line and the delimiter that show most are taken.
    least : int
        Fewer names are no header; then None.
    """
    def count(way):
        return sum(bool(named(cell)) for cell in way[2])

    ways = [(number, delimiter, split_cells(line, delimiter) or ())
            for number, line in enumerate(lines[:_HEADER_WITHIN]) for delimiter in ",;\t "]
    best = max(ways, key=count, default=None)
    return best if best is not None and count(best) >= least else None


def points_of_poses(
    names: tuple[Any, ...], rows: Sequence[tuple[str, ...]]
) -> tuple[tuple[Any, ...], tuple[tuple[str, ...], ...], int]:
    """Names and cells of a table with a column of poses, and how many poses were filled in.

    Where each pose is written once, in the first of its rows, it is written into the others. A
    column of points that has the same words in pose after pose is one of targets.

    Examples
    --------
    >>> cells = [("1", "tip L"), ("", "tip R"), ("2", "tip L"), ("", "tip R")]
    >>> points_of_poses(("pose", "point"), cells)[0::2]
    (('pose', 'target'), 2)
    """
    rows = tuple(rows)
    if "pose" not in names or names.count("pose") > 1:
        return names, rows, 0
    at, filled = names.index("pose"), 0
    poses = [row[at] if at < len(row) else "" for row in rows]
    said = [pose for pose in poses if pose]
    if poses and poses[0] and len(said) == len(set(said)) and 2 * len(said) <= len(poses):
        poses = [said[n - 1] for n in accumulate(pose != "" for pose in poses)]
        filled = len(poses) - len(said)
        rows = tuple((*row[:at], pose, *row[at + 1:]) if at < len(row) else row
                     for row, pose in zip(rows, poses, strict=True))
    if names.count("point") == 1 and "target" not in names:
        point = names.index("point")
        of: dict[str, set[str]] = {}
        for row, pose in zip(rows, poses, strict=True):
            of.setdefault(row[point] if point < len(row) else "", set()).add(pose)
        of.pop("", None)
        if of and 2 * sum(len(p) > 1 for p in of.values()) > len(of):
            names = (*names[:point], "target", *names[point + 1:])
    return names, rows, filled


def read_named(data: bytes, file: str, columns: Sequence[Column], findings: Findings,
               unit: str | None = None) -> Table | None:
    """A table of a field file, its columns called in any language; lengths in `unit`."""
    text = decode(data, file, findings)
    return None if text is None else read_table(
        with_our_names(text, {column.name for column in columns}, unit), file, columns, findings)


def with_our_names(text: str, wanted: Collection[str], unit: str | None = None,
                   called: Mapping[str, str] = {}) -> str:
    """A table whose header calls the columns `wanted` by our names, whatever language it is in.

    `called` has our name of what a person has told to be the column.

    A heading that states another unit than the declared one stays as it is: nobody converts it.

    Examples
    --------
    >>> with_our_names("Punkt;Hochwert;Code\\nA;1,5;x\\n", ("point", "north"))
    'point;north;Code\\nA;1,5;x\\n'
    """
    header = next((line for line in re.finditer(r"[^\r\n]*\S[^\r\n]*", text)
                   if not line[0].lstrip().startswith("#")), None)

    def ours(cell, cells=()):
        """The cell, or our name of it where no other cell has that."""
        name, said = header_name(cell)
        name = called.get(cell) or (None if name in called.values() else name)
        return name if name in wanted and said in (None, unit) and not any(
            c.casefold() == name for c in cells) else cell

    found = header and header_in([header[0]], lambda cell: ours(cell).casefold() in wanted, 1)
    if not header or not found:
        return text
    _, delimiter, cells = found
    best = delimiter.join(
        '"{}"'.format(c.replace('"', '""')) if delimiter in c or '"' in c else c
        for c in (ours(cell, cells) for cell in cells))
    return text[:header.start()] + best + text[header.end():]
