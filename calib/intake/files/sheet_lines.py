"""The table of readings in a file that holds more: lines above its header, shots in the same rows.
"""

import re
from collections.abc import Collection

from calib.run.complaints import Findings, quote
from calib.run.text import split_cells, split_lines

_LEADING = 20
"""A header stands among so many first lines."""


def sheet_lines(
    text: str, headings: Collection[str], beside_shots: bool, file: str, findings: Findings
) -> str:
    """A sheet with every line blanked that is none of it, so that lines keep their numbers.

    Parameters
    ----------
    headings : collection of str
        Of the readings, as the file has them.
    beside_shots : bool
        The file holds shots too: rows without any reading are left out, and so are words below.

    Examples
    --------
    >>> text, headings = "Job 7\\nboom,stick,up\\n1,2,9\\n,,9\\n", ("boom", "stick")
    >>> sheet_lines(text, headings, True, "sheet.csv", Findings())
    '\\nboom,stick,up\\n1,2,9\\n\\n'
    """
    lines, wanted = split_lines(text), {heading.casefold() for heading in headings}
    for number, line in enumerate(lines[:_LEADING]):
        for delimiter in ",;\t ":
            cells = [cell.casefold() for cell in split_cells(line, delimiter) or ()]
            at = [i for i, cell in enumerate(cells) if cell in wanted]
            if len(at) >= min(2, len(wanted)) and not line.lstrip().startswith("#"):
                return "\n".join([*_above(lines[:number], file, findings), line, *(
                    _kept(below, delimiter, at) if beside_shots else below
                    for below in lines[number + 1:])]) + "\n" * text.endswith(("\n", "\r"))
    return text


def _above(lines, file, findings):
    for number, line in enumerate(lines, 1):
        if line.strip() and not line.lstrip().startswith("#"):
            findings.note(file, f"skipped, above the header: {quote(line.strip())}", number)
    return [line if line.lstrip().startswith("#") else "" for line in lines]


def _kept(line, delimiter, at):
    """A line if it has a reading."""
    cells = split_cells(line, delimiter) or ()
    return line if line.lstrip().startswith("#") or any(
        re.search(r"\d", cells[i]) for i in at if i < len(cells)) else ""
