"""Sections as plain text for a terminal: the same words and numbers, without the pictures."""

import io

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table as RichTable

from calib.report.blocks import Items, Name, Number, Section, Table, Text

WIDTH = 100


def console() -> Console:
    """Where text for a terminal is printed, to be had back with `text_of`."""
    return Console(file=io.StringIO(), record=True, width=WIDTH, no_color=True, highlight=False,
                   markup=False, emoji=False)


def text_of(out: Console) -> str:
    """What was printed, without blanks at the ends of lines."""
    return "\n".join(line.rstrip() for line in out.export_text().splitlines()) + "\n"


def plain(sections: list[Section]) -> str:
    """All text and tables, at most 100 columns wide."""
    out = console()
    for section in sections:
        for block in section.blocks:
            if isinstance(block, Text):
                out.print("".join(map(str, block.parts)))
            elif isinstance(block, Items):
                for mark, parts in block.rows:
                    out.print("- " + (f"{mark}: " if mark else "") + "".join(map(str, parts)))
            elif isinstance(block, Table):
                out.print(_table(block))
    return text_of(out)


def _table(block):
    table = RichTable(box=SIMPLE_HEAD, pad_edge=False, title=block.caption, title_justify="left")
    for k, heading in enumerate(block.columns):
        numeric = any(isinstance(row[k], Number) for row in block.rows)
        whole = numeric or any(isinstance(row[k], Name) for row in block.rows)
        table.add_column(heading, justify="right" if numeric else "left", no_wrap=whole,
                         overflow="fold")
    for row in block.rows:
        table.add_row(*("" if cell is None else str(cell) for cell in row))
    return table
