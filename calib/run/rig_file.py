"""rig.toml: from text to a rig, or to complaints that name the line."""

import re
import tomllib

import numpy as np

from calib.chain.rig import Parameter, Rig, RigError, rig_from_dict
from calib.run.complaints import Findings
from calib.run.text import split_lines
from calib.run.units import LIMITS, from_si, sd_problem

AXES = ("east", "north", "up")

_LONGEST = 60
_TABLE = re.compile(r"\s*\[\[?\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"""\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*[A-Za-z0-9_"'-]+)*)\s*=""")


def read_rig(text: str, file: str, findings: Findings) -> Rig | None:
    """The rig that a rig file describes; None after complaints."""
    lines = split_lines(text)
    try:
        data = tomllib.loads("\n".join(lines))
    except RecursionError:
        findings.complain(file, None, None, "brackets nested too deeply", "a rig file in TOML")
        return None
    except ValueError as error:
        _complain_of_syntax(str(error), file, len(lines), findings)
        return None
    try:
        rig = rig_from_dict(data)
        problems = _out_of_range(rig)
    except RigError as error:
        rig, problems = None, error.problems
    for key, found, expected in problems:
        if len(found) > _LONGEST:
            found = found[: _LONGEST - 3] + "..."
        findings.complain(file, line_of_key(lines, key), key, found, expected)
    return None if problems else rig


def _out_of_range(rig):
    """Sizes that no machine and no survey has, and that would overflow further on."""
    sds = [(f"shots.sd.{axis}", sd, "m") for axis, sd in zip(AXES, rig.shot_sd, strict=True)] \
        if rig.shot_sd is not None else []
    sds += [(f"readings.sd.{r.name}", np.degrees(r.sd), "deg") for r in rig.readings
            if r.sd is not None]
    problems = [(key, f"{sd:g}", problem) for key, sd, unit in sds
                if (problem := sd_problem(sd, unit))]
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


def line_of_key(lines: list[str], path: str) -> int | None:
    """The line where a key, or the nearest key above it that is written down, stands.

    Parameters
    ----------
    lines : list of str
        Of a well-formed TOML file.
    path : str
        Key path with dots, such as ``readings.sd.boom``; a number picks from a list.

    Examples
    --------
    >>> line_of_key(["[readings.sd]", "tilt = 0.06", "boom = -1"], "readings.sd.boom")
    3
    >>> line_of_key(["[readings]", "sd = { tilt = 0.06,", "boom = -1 }"], "readings.sd.boom")
    3
    """
    parts = path.split(".")
    best, deepest = None, 0
    for number, written in _written_keys(lines):
        if written == parts[: len(written)] and len(written) > deepest:
            best, deepest = number, len(written)
    if best is None or deepest == len(parts):
        return best
    return _line_of_word(lines, best, parts[-1]) or best


def _written_keys(lines):
    """Line and key path of every table header and of every key at the start of a line."""
    table: list[str] = []
    entries: dict[str, int] = {}
    for number, line in enumerate(lines, 1):
        if header := _TABLE.fullmatch(line):
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
        if number > first and _TABLE.fullmatch(line):
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
