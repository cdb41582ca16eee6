"""The table of readings in a file that holds more: lines above its header, shots in the same rows.
"""

import re
from collections.abc import Collection

from calib.intake.files.columns import header_in
from calib.run.complaints import Findings, quote
from calib.run.text import split_cells, split_lines


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
    found = header_in(["" if line.lstrip().startswith("#") else line for line in lines],
                      lambda cell: cell.casefold() in wanted, min(2, len(wanted)))
    if found is None:
        return text
    number, delimiter, cells = found
    at = [i for i, cell in enumerate(cells) if cell.casefold() in wanted]
    below = lines[number + 1:]
    return "\n".join([
        *_above(lines[:number], file, findings), lines[number],
        *([_kept(line, delimiter, at) for line in below] if beside_shots else below),
    ]) + "\n" * text.endswith(("\n", "\r"))


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
