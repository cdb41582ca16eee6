"""Bytes to text, and delimited text to rows of cells that know their line."""

import errno
import json
import re
import stat
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.run.complaints import Findings, lines_in_words, quote
from calib.run.numerals import decimal_marks_in, is_number
from calib.spreadsheet import unguard

_NAMES = {",": "commas", ";": "semicolons", "\t": "tabs", " ": "spaces"}


#: What may stand around a cell. Not what else Python strips, such as the control characters
#: U+001C and U+0085: a cell that holds them is no number.
BLANK = " \t\r\u00a0\u1680\u202f\u205f\u3000" + "".join(map(chr, range(0x2000, 0x200B)))

_UNSEEN = r"\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff"

#: What no text file needs: controls, the marks that turn the order of letters about, and others
#: that are no characters.
_CONTROL_IN_FILE = re.compile(rf"[\x00-\x08\x0b\x0e-\x1f{_UNSEEN}]")

#: A form feed beside text: alone on its line it parts pages.
_FEED_IN_LINE = re.compile(r"(?<=[^\r\n])\x0c|\x0c(?=[^\r\n])")

#: The same in a name or a sentence, which has no line ends either.
CONTROL = re.compile(rf"[\x00-\x08\x0a-\x1f{_UNSEEN}]")


#: A remark; an error value of a spreadsheet in the first cell of a row is none.
COMMENT = re.compile(r"\s*#(?!N/A|REF!|DIV/0!|VALUE!|NAME\?|NUM!|NULL!|SPILL!|CALC!)")


@dataclass(frozen=True)
class Dialect:
    """How a delimited file is written: what stands between cells, and the decimal mark."""

    delimiter: str
    decimal: str

    def __str__(self) -> str:
        mark = "points" if self.decimal == "." else "commas"
        return f"{_NAMES[self.delimiter]} between columns, decimal {mark}"


STRICT = Dialect(",", ".")
DIALECTS = (STRICT, Dialect(";", ","), Dialect(";", "."), Dialect("\t", "."), Dialect("\t", ","),
            Dialect(" ", "."))


@dataclass(frozen=True, slots=True)
class Row:
    """The cells of one line, without the spaces and quotes around them."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Grid:
    """A delimited file: its rows, header included if it has one."""

    file: str
    dialect: Dialect
    rows: tuple[Row, ...]
    #: Lines that begin with ``#`` but look like rows: perhaps left out on purpose.
    commented: tuple[int, ...]


def ordinary(path: Path) -> Path:
    """The path, unless it is of a pipe or a device: it would be waited for, or read for ever.

    Raises
    ------
    OSError
        Also if nothing is there.
    """
    mode = path.stat().st_mode
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        raise OSError(errno.EINVAL, "no ordinary file", str(path))
    return path


def parse_json(content: bytes | str) -> Any:
    """What a JSON text says, if it can be read in one way only.

    Raises
    ------
    ValueError
        Where it is none, is nested too deeply, has a number that JSON does not know, or a key twice
        in one table.
    """
    try:
        return json.loads(content, parse_constant=_no_number, object_pairs_hook=_each_key_once)
    except RecursionError:
        raise ValueError("nested too deeply") from None


def _no_number(name):
    raise ValueError(f"{name} is no number")


def _each_key_once(pairs):
    table = dict(pairs)
    if len(table) < len(pairs):
        raise ValueError("a key twice in one table")
    return table


def file_text(path: Path, name: str, expected: str, findings: Findings) -> str | None:
    """The text of a file that is called `name`; None after a complaint, as of `decode`."""
    try:
        data = ordinary(path).read_bytes()
    except OSError as error:
        findings.complain(str(path), None, None, "no file that can be read "
                          f"({(error.strerror or str(error)).lower()})", expected)
        return None
    return decode(data, name, findings)


_PACKED = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
"""How spreadsheets begin, new and old; the first is any zip archive."""


def decode(data: bytes, file: str, findings: Findings) -> str | None:
    """The text of a file.

    UTF-8 with or without a byte order mark, UTF-16 with one, else Windows-1252 with a notice.

    Returns
    -------
    str or None
        None after a complaint: empty, binary, or in no known encoding.
    """
    if data.startswith(_PACKED):
        findings.complain(file, None, None, "a spreadsheet or an archive, which is no text",
                          "the table in it saved as CSV (Save as ...), and that file given")
        return None
    wide = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    for encoding in ("utf-16",) if wide else ("utf-8-sig", "cp1252"):
        try:
            text = data.decode(encoding)
            break
        except UnicodeDecodeError as error:
            line = data[: error.start].count(b"\n") + 1
    else:
        findings.complain(file, None, None, "bytes that are not text",
                          "text in UTF-8 (binary data, or a damaged file?)")
        return None
    if wide:
        findings.note(file, "read as UTF-16")
    elif encoding == "cp1252" and "\x00" not in text:
        findings.note(file, f"not UTF-8 from line {line} on; read as Windows-1252 (cp1252): "
                      "check accented letters in ids", line)
    if not text.strip():
        findings.complain(file, None, None, "an empty file", "text")
        return None
    control = _CONTROL_IN_FILE.search(text) or _FEED_IN_LINE.search(text)
    if control:
        byte = ord(control[0])
        findings.complain(
            file, _line_of(text, control.start()), None,
            f"binary data (a byte {byte:#04x})" if byte < 0x80 else
            f"an invisible control character (U+{byte:04X})",
            "plain text (a spreadsheet must be saved as CSV first)",
        )
        return None
    return text


def split_lines(text: str) -> list[str]:
    """Physical lines, whatever the line ends; only CR, LF and CRLF end a line."""
    lines = re.split("\r\n|\n|\r", text)
    return lines[:-1] if lines[-1] == "" else lines


def whole_lines(data: bytes) -> bytes:
    """The bytes up to the last line end: what is still being written, or was not read, is left out.

    Examples
    --------
    >>> whole_lines(b"1,2\\r3,"), whole_lines(b"1")
    (b'1,2\\r', b'')
    """
    wide = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}.get(data[:2])
    text = data.decode(wide or "latin-1", "ignore")
    return text[:max(text.rfind("\n"), text.rfind("\r")) + 1].encode(wide or "latin-1")


def split_cells(line: str, delimiter: str) -> tuple[str, ...] | None:
    """The cells of one line; None if a quote is not closed on it.

    A quoted cell begins with ``"``; inside, ``""`` stands for one. Runs of spaces are one
    delimiter. A cell never goes on to the next line: one stray quote must not swallow a file.

    Examples
    --------
    >>> split_cells(' a , "b, c" ,', ",")
    ('a', 'b, c', '')
    """
    if delimiter == " ":
        line = line.strip(BLANK)
    if '"' not in line:
        cells = re.split(" +", line) if delimiter == " " else line.split(delimiter)
        return tuple([c.strip(BLANK) for c in cells])
    found: list[str] = []
    at, mark = 0, delimiter
    while mark:
        cell = _CELL[delimiter].match(line, at)
        if cell is None:
            return None
        quoted, bare, mark = cell.groups()
        found.append((bare if quoted is None else quoted.replace('""', '"')).strip(BLANK))
        at = cell.end()
    return tuple(found)


def _cell_before(delimiter):
    """A quoted cell with blanks around it, or one that begins with no quote, and what ends it.

    Possessive: each match takes one pass.
    """
    blank = {"\t": " *+", " ": ""}.get(delimiter, f"[{BLANK}]*+")
    ends = " +" if delimiter == " " else delimiter
    return re.compile(rf'{blank}(?:"((?:[^"]|"")*+)"(?!"){blank}|(?!")([^{delimiter}]*+))'
                      rf"({ends}|\Z)")


_CELL = {delimiter: _cell_before(delimiter) for delimiter in _NAMES}


def read_grid(
    text: str,
    file: str,
    findings: Findings,
    *,
    names: Collection[str] = (),
    numeric: Collection[str] = (),
    dialect: Dialect | None = None,
) -> Grid | None:
    """Rows of a delimited file, blank lines and ``#`` comments left out.

    Parameters
    ----------
    names : collection of str
        Column names that the header may have: the first row must be one, and decides the delimiter.
    numeric : collection of str
        Those of `names` that hold numbers: only they decide the decimal mark.
    dialect : Dialect, optional
        Declared or found before: nothing is detected, and there may be no header.

    Returns
    -------
    Grid or None
        None after a complaint.
    """
    numbered = [(n, line) for n, line in enumerate(split_lines(text), 1) if line.strip()]
    content = [(n, line) for n, line in numbered if not COMMENT.match(line)]
    if not content:
        findings.complain(file, None, None, "only comments", "a row of column names")
        return None
    if dialect is None:
        known = {n.casefold() for n in names}
        dialect = _by_header(content, file, findings, known, {n.casefold() for n in numeric})
        if dialect is None:
            return None
        if dialect != STRICT:
            findings.note(file, f"read with {dialect}")
    rows = []
    for n, line in content:
        cells = split_cells(line, dialect.delimiter)
        if cells is None:
            findings.complain(file, n, None, quote(line.strip()),
                              'every quote (") closed on its line, before the end of its cell')
        elif any(cells):
            rows.append(Row(n, tuple([unguard(c) for c in cells])))
    if not rows:
        return None
    width = len(rows[0].cells)
    commented = tuple(n for n, line in numbered if _looks_like_a_row(line, dialect, width))
    return Grid(file, dialect, tuple(rows), commented)


def _looks_like_a_row(line, dialect, width):
    if not COMMENT.match(line):
        return False
    cells = split_cells(line.lstrip()[1:], dialect.delimiter) or ()
    return len(cells) == width > 1 and any(is_number(c, dialect.decimal) for c in cells)


def _by_header(content, file, findings, known, numeric):
    """The delimiter that shows most known names in the header, then the decimal mark."""
    line, header = content[0]
    named = {}
    for delimiter in _NAMES:
        cells = split_cells(header, delimiter) or ()
        named[delimiter] = sum(c.casefold() in known for c in cells)
    most = max(named.values())
    # Spaces may stand around any other delimiter.
    best = [d for d in _NAMES if named[d] == most and d != " "] or [" "]
    if most == 0 or len(best) > 1:
        found = quote(header.strip())
        if most:
            found += " (" + " or ".join(_NAMES[d] for d in best) + " between columns?)"
        findings.complain(file, line, None, found, "a row of column names, such as "
                          + ", ".join(sorted(known)[:6]))
        return None
    delimiter = best[0]
    if delimiter in ", ":
        return Dialect(delimiter, ".")
    columns = [i for i, cell in enumerate(split_cells(header, delimiter) or ())
               if cell.casefold() in numeric]
    marks: dict[str, list[tuple[int, str]]] = {".": [], ",": []}
    for n, text in content[1:]:
        row = split_cells(text, delimiter) or ()
        for i in columns:
            if i < len(row) and (mark := decimal_marks_in(row[i])):
                marks[mark].append((n, row[i]))
    if marks["."] and len(marks["."]) == len(marks[","]):
        (point_line, point), (comma_line, comma) = marks["."][0], marks[","][0]
        findings.complain(file, max(point_line, comma_line), None,
                          f"both {quote(point)} (line {point_line}) and {quote(comma)} "
                          f"(line {comma_line})",
                          "one decimal mark in the whole file, point or comma")
        return None
    # In doubt-free files one list is empty; else each cell of the shorter gets its own complaint.
    return Dialect(delimiter, "," if len(marks[","]) > len(marks["."]) else ".")


def _line_of(text, position):
    return len(split_lines(text[:position] + "x"))


def note_commented(grid: Grid, findings: Findings) -> None:
    """Say which lines were left out as comments though they look like rows."""
    if grid.commented:
        findings.note(grid.file, f"{len(grid.commented)} row(s) left out as comments (#): "
                      + lines_in_words(list(grid.commented)))
