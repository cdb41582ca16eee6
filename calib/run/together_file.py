"""The file that says which runs of one machine are adjusted together."""

from collections import Counter
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from calib.run.complaints import Findings
from calib.run.text import file_text, split_lines
from calib.run.toml import KeyLines, complain_of_keys, parsed_toml

_MOST_RUNS = 1_000

#: A day may be written as TOML writes one.
_Short = Annotated[str, Field(min_length=1), BeforeValidator(
    lambda given: str(given).strip() if isinstance(given, str | date) else given)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Entry(_Table):
    """A run in the file."""

    folder: Annotated[str, Field(min_length=1)]  #: From where the file lies.
    #: attachment, day: Empty where the file does not say.
    attachment: _Short = ""
    day: _Short = ""
    remounted: tuple[str, ...] = ()  #: Readings whose sensors were mounted anew before it.
    set_aside: _Short = "none"  #: "none", "suspects" or names with commas, as for one run.


class _File(_Table):
    runs: Annotated[list[Entry], Field(min_length=2, max_length=_MOST_RUNS)]
    scopes: dict[str, str] = {}


#: What to say is expected of a key, if not what the schema says.
_EXPECTED = {
    "runs": f'from 2 to {_MOST_RUNS} tables [[runs]], in the order of time, each with folder = '
            '"..."',
    "scopes": 'lines such as boom_zero = "day"',
    "folder": "the folder of a run, from where this file lies",
    **dict.fromkeys(("attachment", "day", "set_aside"), "a short text"),
    "remounted": 'readings, such as ["coupler"]',
}


@dataclass(frozen=True)
class Several:
    """Which runs, and which parameters they share where that is not the usual."""

    entries: tuple[Entry, ...]
    scopes: dict[str, str]
    line_of: KeyLines


def read_several(path: Path) -> Several:
    """Read a file of runs that are adjusted together.

    Raises
    ------
    InputError
        With every complaint about it.
    """
    findings, name = Findings(), str(path)
    text = findings.sound(file_text(
        path, name, "a file with [[runs]] that are adjusted together", findings))
    data = findings.sound(parsed_toml(text, name, findings))
    try:
        found = _File.model_validate(data)
        names = Counter(entry.folder for entry in found.runs)
        problems = [("runs", n, "each folder once") for n, count in names.items() if count > 1]
    except ValidationError as error:
        problems = [_in_words(e) for e in error.errors()]
    complain_of_keys(problems, text, name, findings)
    findings.stop_if_at_fault()
    return Several(tuple(found.runs), found.scopes, KeyLines(split_lines(text)))


def _in_words(error: Any) -> tuple[str, str, str]:
    """Key, found and expected of a fault that the schema finds."""
    key, given = ".".join(map(str, error["loc"])), error["input"]
    if error["type"] == "extra_forbidden":
        table = Entry if len(error["loc"]) > 1 else _File
        return key, error["loc"][-1], ", ".join(table.model_fields)
    found = "nothing" if error["type"] == "missing" or not given else (
        f"{len(given)} in the list" if isinstance(given, list) else repr(given))
    return key, found, next(says for part in error["loc"][::-1] if (says := _EXPECTED.get(part)))
