"""rig.toml: from text to a rig, or to complaints that name the line."""

import math
import re
import tomllib
from collections.abc import Iterator

from calib.chain.parts import Parameter
from calib.chain.rig import Rig, rig_from_dict
from calib.chain.schema import RigError
from calib.run.complaints import Findings
from calib.run.text import CONTROL, split_lines
from calib.run.units import LIMITS, from_si, sd_problem

AXES = ("east", "north", "up")

#: What a rig file may be at most: ten times what the largest rig needs.
_MOST_CHARACTERS, _MOST_IN_LINE, _DEEPEST = 200_000, 2_000, 20
#: Of more problems than this the rest is only counted.
_MOST_PROBLEMS = 200

_LONGEST = 60
#: Of the working envelope: beyond, maps take minutes and the memory of a laptop.
_MOST_POSTURES = 20_000
_TABLE = re.compile(r"\[\[?([^\[\]]+)\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"""\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*[A-Za-z0-9_"'-]+)*)\s*=""")


def read_rig(text: str, file: str, findings: Findings) -> Rig | None:
    """The rig that a rig file describes; None after complaints."""
    lines = split_lines(text)
    data = parsed_toml(text, lines, file, findings)
    if data is None:
        return None
    problems = list(unshowable(data))
    rig = None
    try:
        rig = rig_from_dict(data)
        problems += out_of_range(rig)
    except RigError as error:
        problems += error.problems
    written = KeyLines(lines)
    for key, found, expected in problems[:_MOST_PROBLEMS]:
        findings.complain(file, written.line_of(key), key, shortened(found), expected)
    if len(problems) > _MOST_PROBLEMS:
        findings.complain(file, None, None, f"{len(problems) - _MOST_PROBLEMS:,} problems more",
                          "a rig file")
    return None if problems else rig


def shortened(found: str) -> str:
    """What was found, not too long for a complaint."""
    return found if len(found) <= _LONGEST else found[: _LONGEST - 3] + "..."


def parsed_toml(text: str, lines: list[str], file: str, findings: Findings) -> dict | None:
    """What TOML makes of the text; None after a complaint."""
    if len(text) > _MOST_CHARACTERS:
        findings.complain(file, None, None, f"{len(text):,} characters",
                          f"a file of at most {_MOST_CHARACTERS:,}")
        return None
    long = [n for n, line in enumerate(lines, 1) if len(line) > _MOST_IN_LINE]
    if long:
        findings.complain(file, long[0], None, f"a line of {len(lines[long[0] - 1]):,} characters",
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
    return data


def _values(data):
    """Every key path and value, and how deep it lies, without recursion."""
    waiting = [("", data, 0)]
    while waiting:
        path, value, depth = waiting.pop()
        yield path, value, depth
        if depth <= _DEEPEST and isinstance(value, dict | list):
            inner = value.items() if isinstance(value, dict) else enumerate(value)
            waiting += [(f"{path}.{key}" if path else str(key), v, depth + 1) for key, v in inner]


def unshowable(data: dict) -> Iterator[tuple[str, str, str]]:
    """Text and keys with control characters: they would go to every screen and page."""
    for path, value, _ in _values(data):
        if CONTROL.search(path) or (isinstance(value, str) and CONTROL.search(value)):
            yield path, repr(value), "text without control characters"


def out_of_range(rig: Rig) -> list[tuple[str, str, str]]:
    """Sizes that no machine and no survey has, and that would overflow further on."""
    sds = [(f"shots.sd.{axis}", sd, "m") for axis, sd in zip(AXES, rig.shot_sd, strict=True)] \
        if rig.shot_sd is not None else []
    sds += [(f"readings.sd.{r.name}", from_si(r.sd, r.unit), r.unit) for r in rig.readings
            if r.sd is not None]
    problems = [(key, f"{sd:g}", problem) for key, sd, unit in sds
                if (problem := sd_problem(sd, unit))]
    postures = len(rig.envelope.reaches) * math.prod(map(len, rig.envelope.sweep.values()))
    if postures > _MOST_POSTURES:
        problems.append(("envelope", f"{postures:,} postures", f"at most {_MOST_POSTURES:,}"))
    for p in rig.parameters:
        limit, expected = LIMITS[p.unit]
        if abs(p.start) > limit:
            problems.append((f"values.{p.name}", f"{from_si(p.start, p.unit):g}", expected))
        elif not p.allows(p.start):
            where = f"values.{p.name}" if p.stated else f"ranges.{p.name}" \
                if p.name in rig.definition["ranges"] else f"parameters.{p.name}.start"
            problems.append((where, f"{from_si(p.start, p.unit):g}", expected_range(p)))
    return problems


def expected_range(parameter: Parameter) -> str:
    """What a value of a parameter should be, for a complaint."""
    return (f"a value {parameter.range_words}: a machine beyond that states its own range under "
            f"[ranges] in rig.toml, such as {parameter.name} = [least, most]")


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
