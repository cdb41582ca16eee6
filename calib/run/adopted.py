"""Effects taken into the text of a rig file, everything else in it left as it is."""

import json
import re
import tomllib
from collections.abc import Sequence

_LIST = re.compile(r"\s*effects\s*=")
_TEMPLATE = re.compile(r"\s*template\s*=")
_TABLE = re.compile(r"\s*\[")


def with_effects_listed(text: str, names: Sequence[str]) -> str:
    """A rig file's text with more names in its list of effects.

    Parameters
    ----------
    text : str
        A rig file that can be read.
    names : sequence of str
        Those that are listed already are left out.

    Examples
    --------
    >>> with_effects_listed('template = "plain_bucket"\\n[goal]\\nedge = "20 mm"\\n', ["boom_sag"])
    'template = "plain_bucket"\\neffects = ["boom_sag"]\\n[goal]\\nedge = "20 mm"\\n'
    """
    before = tomllib.loads(text)
    listed = before.get("effects", [])
    after = {**before, "effects": [*listed, *(n for n in names if n not in listed)]}
    lines = text.splitlines(keepends=True)
    top = next((i for i, line in enumerate(lines) if _TABLE.match(line)), len(lines))
    for tried in _candidates(lines, top, after["effects"][len(listed):], "effects" in before):
        try:
            if tomllib.loads(tried) == after:
                return tried
        except tomllib.TOMLDecodeError:
            continue
    raise ValueError("found no place for the list of effects")  # the first of all lines is one


def _candidates(lines, top, names, listed):
    """The text with the names at every place where they may belong."""
    added = ", ".join(json.dumps(name) for name in names)
    if listed:
        text = "".join(lines)
        start = sum(map(len, lines[:next(i for i in range(len(lines)) if _LIST.match(lines[i]))]))
        for place in (m.start() for m in re.finditer(r"\]", text[start:])):
            end = start + place
            for comma in (", ", " ", ""):  # behind the last name, behind its comma, in none
                yield text[:end].rstrip() + comma + added + text[end:]
        return
    ending = "\r\n" if lines and lines[0].endswith("\r\n") else "\n"
    line = f"effects = [{added}]{ending}"
    for i, found in enumerate(lines[:top], 1):
        if _TEMPLATE.match(found):
            yield "".join([*lines[:i], "" if found.endswith("\n") else ending, line, *lines[i:]])
    yield line + "".join(lines)
