"""entries.toml: from text to a list of entries, or to complaints that name the line."""

from collections.abc import Sequence
from pathlib import Path

from calib.chain.rig import Rig
from calib.entries.listed import EntryList, entry_list
from calib.entries.schema import EntriesError
from calib.run.complaints import Findings
from calib.run.text import file_text
from calib.run.toml import complain_of_keys, parsed_toml


def read_entries(text: str, file: str, rig: Rig | None, findings: Findings) -> EntryList | None:
    """The list that a file describes; None after complaints.

    Parameters
    ----------
    rig : Rig or None
        None when the rig file is at fault: then only the syntax is looked at.
    """
    data = parsed_toml(text, file, findings)
    if data is None or rig is None:
        return None
    try:
        return entry_list(data, rig)
    except EntriesError as error:
        complain_of_keys(error.problems, text, file, findings, _in_words)
        return None


def read_entries_file(path: Path, rig: Rig) -> EntryList:
    """The list in a file, wherever it lies.

    Raises
    ------
    InputError
        With every complaint about it.
    """
    findings = Findings()
    text = findings.sound(file_text(
        path, str(path), "a list of entries (calib entries example prints one)", findings))
    return findings.sound(read_entries(text, str(path), rig, findings))


def completed(text: str, rig: Rig, lacking: Sequence[str]) -> str:
    """The text of a list with an entry more for each parameter that it lacks.

    Examples
    --------
    >>> from calib.chain.rig import rig_from_template
    >>> print(completed("", rig_from_template("tilt_rotator"), ["edge_skew"]), end="")
    <BLANKLINE>
    <BLANKLINE>
    # Added, as the list lacks them: give each the name, unit and sign of the system's field.
    # What has no field goes: write what the system holds of it under [known], m or deg.
    <BLANKLINE>
    [[entry]]   # left corner higher than the right, seen along the machine
    name = "edge skew"
    unit = "deg"
    is = "edge_skew"
    """
    lines = [text.rstrip(), "", "# Added, as the list lacks them: give each the name, unit and "
             "sign of the system's field.", "# What has no field goes: write what the system holds "
             "of it under [known], m or deg."]
    for p in (p for p in rig.parameters if p.name in lacking):
        lines += ["", f"[[entry]]   # {p.means}", f'name = "{p.name.replace("_", " ")}"',
                  f'unit = "{"deg" if p.unit == "deg" else "mm"}"', f'is = "{p.name}"']
    return "\n".join(lines) + "\n"


def _in_words(key):
    """``entry.2.unit`` as a person counts: entry 3, unit."""
    parts = key.split(".")
    if parts[0] == "entry" and len(parts) > 1 and parts[1].isdecimal():
        return " ".join([f"entry {int(parts[1]) + 1}", *([".".join(parts[2:])] if parts[2:]
                                                         else [])])
    return key
