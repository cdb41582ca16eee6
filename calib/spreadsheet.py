"""Text in a CSV file: how it is quoted, and what a spreadsheet must not take for a formula."""

import re

#: What a spreadsheet runs, or may run after it trimmed the cell; numbers are left as they are.
_RUN = re.compile(r"[\s']*[=+\-@\uff1d\uff0b\uff0d\uff20]")
_NUMBER = re.compile(r"\s*[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?\s*")


def guard(text: str) -> str:
    """`text` as a cell that a spreadsheet shows and does not run: an apostrophe before it.

    `unguard` gives the text back. A number is a number to a spreadsheet too.

    Examples
    --------
    >>> guard("=1+1"), guard("-0.5"), guard("12-left"), guard("'=x")
    ("'=1+1", '-0.5', '12-left', "''=x")
    """
    return "'" + text if _RUN.match(text) and not _NUMBER.fullmatch(text) else text


def as_cell(text: str, delimiter: str = ",") -> str:
    """`text` as it stands in a CSV file: guarded, and quoted where it has to be.

    A row whose first cell begins with # would be read as a comment.

    Examples
    --------
    >>> print(as_cell("=1,1"), as_cell("#3"), as_cell("left edge"), as_cell("1,1", ";"))
    "'=1,1" "#3" left edge 1,1
    """
    cell = guard(text)
    if cell != cell.strip() or cell.startswith("#") or '"' in cell or delimiter in cell:
        return '"' + cell.replace('"', '""') + '"'
    return cell


def unguard(cell: str) -> str:
    """The text of a cell as it was before `guard`; every other cell as it is.

    Examples
    --------
    >>> unguard("'=1+1"), unguard("'-0.5"), unguard("'left'"), unguard("''=x")
    ('=1+1', "'-0.5", "'left'", "'=x")
    """
    bare = cell[1:]
    return bare if cell.startswith("'") and guard(bare) == cell else cell
