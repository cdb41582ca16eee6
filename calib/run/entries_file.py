"""entries.toml: from text to a list of entries, or to complaints that name the line."""

from pathlib import Path

from calib.chain.rig import Rig
from calib.entries.listed import EntryList, entry_list
from calib.entries.schema import EntriesError
from calib.run.complaints import Findings, InputError
from calib.run.rig_file import KeyLines, parsed_toml, shortened, unshowable
from calib.run.text import file_text, split_lines


def read_entries(text: str, file: str, rig: Rig | None, findings: Findings) -> EntryList | None:
    """The list that a file describes; None after complaints.

    Parameters
    ----------
    rig : Rig or None
        None when the rig file is at fault: then only the syntax is looked at.
    """
    lines = split_lines(text)
    data = parsed_toml(text, lines, file, findings)
    if data is None or rig is None:
        return None
    problems, listed = list(unshowable(data)), None
    try:
        listed = entry_list(data, rig)
    except EntriesError as error:
        problems += error.problems
    written = KeyLines(lines)
    for key, found, expected in problems:
        findings.complain(file, written.line_of(key), _in_words(key), shortened(found), expected)
    return None if problems else listed


def read_entries_file(path: Path, rig: Rig) -> EntryList:
    """The list in a file, wherever it lies.

    Raises
    ------
    InputError
        With every complaint about it.
    """
    findings = Findings()
    text = file_text(path, str(path), "a list of entries (calib entries example prints one)",
                     findings)
    listed = None if text is None else read_entries(text, str(path), rig, findings)
    findings.stop_if_at_fault()
    if listed is None:
        raise InputError.of(path, "nothing", "a list of entries")
    return listed


def _in_words(key):
    """``entry.2.unit`` as a person counts: entry 3, unit."""
    parts = key.split(".")
    if parts[0] == "entry" and len(parts) > 1 and parts[1].isdecimal():
        return " ".join([f"entry {int(parts[1]) + 1}", *([".".join(parts[2:])] if parts[2:]
                                                         else [])])
    return key
