"""The file that says which runs of one machine are adjusted together."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from calib.run.complaints import Findings, quote
from calib.run.rig_file import KeyLines, parsed_toml, shortened, unshowable
from calib.run.text import file_text, split_lines

_MOST_RUNS = 1_000
_OF_RUN = {"folder", "attachment", "day", "remounted", "set_aside"}


@dataclass(frozen=True)
class Entry:
    """A run in the file."""

    folder: Path  #: Of the run, from where the file lies.
    name: str  #: The folder as it was written.
    #: attachment, day: Empty where the file does not say.
    attachment: str
    day: str
    remounted: tuple[str, ...]  #: Readings whose sensors were mounted anew before it.
    set_aside: str  #: "none", "suspects" or names with commas, as for one run.


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
    data, written = _parsed(path, name, findings)
    findings.stop_if_at_fault()

    def complain(key, found, expected):
        findings.complain(name, written.line_of(key), key, quote(str(found)), expected)

    for key in data.keys() - {"runs", "scopes"}:
        complain(key, key, "[[runs]] and [scopes]")
    runs = data.get("runs")
    if not isinstance(runs, list) or not 2 <= len(runs) <= _MOST_RUNS:
        found = len(runs) if isinstance(runs, list) else runs or "nothing"
        complain("runs", f"{found}", f"from 2 to {_MOST_RUNS} tables [[runs]], in the order of "
                 'time, each with folder = "..."')
        runs = []
    entries = [_entry(i, run, path.parent, complain) for i, run in enumerate(runs)]
    scopes = data.get("scopes", {})
    if not isinstance(scopes, dict) or not all(isinstance(s, str) for s in scopes.values()):
        complain("scopes", scopes, 'lines such as boom_zero = "day"')
    names = [e.name for e in entries if e is not None]
    for twice in sorted({n for n in names if names.count(n) > 1}):
        complain("runs", twice, "each folder once")
    findings.stop_if_at_fault()
    return Several(tuple(e for e in entries if e is not None), scopes, written)


def _parsed(path, name, findings):
    text = file_text(path, name, "a file with [[runs]] that are adjusted together", findings)
    lines = split_lines(text or "")
    data = None if text is None else parsed_toml(text, lines, name, findings)
    written = KeyLines(lines)
    for key, found, expected in unshowable(data or {}):
        findings.complain(name, written.line_of(key), key, shortened(found), expected)
    return data, written


def _entry(i, run, beside, complain):
    key = f"runs.{i}"
    if not isinstance(run, dict):
        complain(key, run, 'a table [[runs]] with folder = "..."')
        return None
    for extra in run.keys() - _OF_RUN:
        complain(f"{key}.{extra}", extra, ", ".join(sorted(_OF_RUN)))
    folder = run.get("folder")
    if not isinstance(folder, str) or not folder:
        complain(f"{key}.folder", folder or "nothing", "the folder of a run, from where this "
                 "file lies")
        return None
    texts = {}
    for what, default in (("attachment", ""), ("day", ""), ("set_aside", "none")):
        given = run.get(what, default)
        texts[what] = str(given).strip()
        # A day may be written as TOML writes one.
        if not isinstance(given, str | date) or (what in run and not texts[what]):
            complain(f"{key}.{what}", given, "a short text")
    remounted = run.get("remounted", [])
    if not isinstance(remounted, list) or not all(isinstance(r, str) for r in remounted):
        complain(f"{key}.remounted", remounted, 'readings, such as ["coupler"]')
        remounted = []
    return Entry(beside / folder, folder, texts["attachment"], texts["day"], tuple(remounted),
                 texts["set_aside"])
