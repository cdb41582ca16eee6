"""TOML files: what they say, and on which line, with every key that is at fault."""

import re
import tomllib
from collections.abc import Callable, Sequence

from calib.run.complaints import Findings
from calib.run.text import CONTROL, split_lines

#: What a file may be at most: ten times what the largest rig needs.
_MOST_CHARACTERS, _MOST_IN_LINE, _DEEPEST = 200_000, 2_000, 20
#: Of more problems than this the rest is only counted.
_MOST_PROBLEMS = 200

_LONGEST = 60
_TABLE = re.compile(r"\[\[?([^\[\]]+)\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"""\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*[A-Za-z0-9_"'-]+)*)\s*=""")


def parsed_toml(text: str, file: str, findings: Findings) -> dict | None:
    """What TOML makes of the text; None after a complaint of the whole.

    Text and keys with control characters, which would go to every screen and page, are complaints
    too.
    """
    lines = split_lines(text)
    long = [(n, len(line)) for n, line in enumerate(lines, 1) if len(line) > _MOST_IN_LINE]
    if len(text) > _MOST_CHARACTERS:
        findings.complain(file, None, None, f"{len(text):,} characters",
                          f"a file of at most {_MOST_CHARACTERS:,}")
        return None
    if long:
        findings.complain(file, long[0][0], None, f"a line of {long[0][1]:,} characters",
                          f"lines of at most {_MOST_IN_LINE:,}")
        return None
    try:
        data = tomllib.loads("\n".join(lines))
    except RecursionError:
        data = None
    except ValueError as error:
        _complain_of_syntax(str(error), file, len(lines), findings)
        return None
    if data is None or any(depth > _DEEPEST for _, _, depth in _values(data)):
        findings.complain(file, None, None, "brackets or keys nested too deeply",
                          f"a file in TOML, at most {_DEEPEST} levels deep")
        return None
    complain_of_keys([
        (path, repr(value), "text without control characters") for path, value, _ in _values(data)
        if CONTROL.search(path) or (isinstance(value, str) and CONTROL.search(value))],
        text, file, findings)
    return data


def complain_of_keys(problems: Sequence[tuple[str, str, str]], text: str, file: str,
                     findings: Findings, called: Callable[[str], str] = str) -> None:
    """Complain of keys of a file, each with what was found and what was expected.

    Parameters
    ----------
    called : callable
        How a person calls a key.
    """
    written = KeyLines(split_lines(text) if problems else [])
    for key, found, expected in problems[:_MOST_PROBLEMS]:
        short = found if len(found) <= _LONGEST else found[: _LONGEST - 3] + "..."
        findings.complain(file, written.line_of(key), called(key), short, expected)
    if len(problems) > _MOST_PROBLEMS:
        findings.complain(file, None, None, f"{len(problems) - _MOST_PROBLEMS:,} problems more",
                          "none")


def _values(data):
    """Every key path and value, and how deep it lies, without recursion."""
    waiting = [("", data, 0)]
    while waiting:
        path, value, depth = waiting.pop()
        yield path, value, depth
        if depth <= _DEEPEST and isinstance(value, dict | list):
            inner = value.items() if isinstance(value, dict) else enumerate(value)
            waiting += [(f"{path}.{key}" if path else str(key), v, depth + 1) for key, v in inner]


class KeyLines:
    """Where the keys of a well-formed TOML file stand.

    Examples
    --------
    >>> KeyLines(["[readings.sd]", "tilt = 0.06", "boom = -1"]).line_of("readings.sd.boom")
    3
    >>> KeyLines(["[readings]", "sd = { tilt = 0.06,", "boom = -1 }"]).line_of("readings.sd.boom")
    3
    """

    def __init__(self, lines: list[str]):
        self._lines = lines
        self._first: dict[tuple[str, ...], int] = {}
        for number, written in _written_keys(lines):
            self._first.setdefault(tuple(written), number)

    def line_of(self, path: str) -> int | None:
        """The line of a key, or of the nearest key above it that is written down.

        `path` has dots, such as ``readings.sd.boom``; a number picks from a list.
        """
        parts = tuple(path.split("."))
        for depth in range(len(parts), 0, -1):
            if (best := self._first.get(parts[:depth])) is not None:
                if depth == len(parts):
                    return best
                return _line_of_word(self._lines, best, parts[-1]) or best
        return None


def _written_keys(lines):
    """Line and key path of every table header and of every key at the start of a line."""
    table: list[str] = []
    entries: dict[str, int] = {}
    for number, line in enumerate(lines, 1):
        if header := _TABLE.fullmatch(line.strip()):
            table = _split_key(header[1])
            if line.lstrip().startswith("[["):
                index = entries[header[1]] = entries.get(header[1], -1) + 1
                table.append(str(index))
            yield number, table
        elif key := _KEY.match(line):
            yield number, table + _split_key(key[1])


def _split_key(key):
    return [part.strip().strip("\"'") for part in key.split(".")]


def _line_of_word(lines, first, word):
    """The first line from `first` on, before the next table, with `word` in a value."""
    pattern = re.compile(rf"(?<![\w-]){re.escape(word)}(?![\w-])")
    for number, line in enumerate(lines[first - 1 :], first):
        if number > first and _TABLE.fullmatch(line.strip()):
            return None
        if pattern.search(line.split("#")[0]):
            return number
    return None


def _complain_of_syntax(message, file, last_line, findings):
    place = re.search(r"\(at line (\d+), column (\d+)\)", message)
    reason = re.sub(r"\s*\(at .*\)$", "", message)
    findings.complain(
        file,
        int(place[1]) if place else last_line,
        place[2] if place else None,
        f"what is not TOML ({reason[:1].lower()}{reason[1:]})",
        'lines such as "key = 0.05" under headings such as "[readings.sd]"',
    )
