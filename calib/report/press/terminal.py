"""Sections as plain text for a terminal: the same words and numbers, without the pictures."""

import io
from collections.abc import Sequence

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table as RichTable

from calib.report.blocks import Items, Number, Section, Table, Text

WIDTH = 100

#: Words of more characters, such as paths, may break.
_WORD = 32


def console() -> Console:
    """Where text for a terminal is printed, to be had back with `text_of`."""
    return Console(file=io.StringIO(), record=True, width=WIDTH, no_color=True, highlight=False,
                   markup=False, emoji=False)


def text_of(out: Console) -> str:
    """What was printed, without blanks at the ends of lines; what was held together may part."""
    text = out.export_text().replace("\N{NO-BREAK SPACE}", " ")
    return "\n".join(line.rstrip() for line in text.splitlines()) + "\n"


def columns(headings: Sequence[str], numbers: slice, title: str = "") -> RichTable:
    """An empty table: those columns are of numbers, which stay whole; what is in others folds."""
    table = RichTable(box=SIMPLE_HEAD, pad_edge=False, title=title or None, title_justify="left")
    right = range(len(headings))[numbers]
    for k, heading in enumerate(headings):
        table.add_column(heading, justify="right" if k in right else "left", no_wrap=k in right,
                         overflow="ellipsis" if k in right else "fold")
    return table


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
    """A table, or a list where columns as wide as their words are wider than the text may be."""
    cells = [["" if cell is None else str(cell) for cell in row] for row in block.rows]
    columns = list(zip(block.columns, *cells, strict=True))
    widths = [max(map(len, column)) for column in columns]
    least = [max(min(len(word), _WORD) for text in column for word in text.split(" "))
             for column in columns]
    room = WIDTH - 3 * len(columns)
    if sum(least) > room:
        return "\n".join([block.caption, *("- " + "; ".join(
            f"{heading} {text}" if k else text
            for k, (heading, text) in enumerate(zip(block.columns, row, strict=True)) if text)
            for row in cells), ""])
    while sum(widths) > room:
        widest = max(range(len(widths)), key=lambda k: widths[k] * (widths[k] > least[k]))
        widths[widest] -= 1
    table = RichTable(box=SIMPLE_HEAD, pad_edge=False, title=block.caption, title_justify="left")
    for k, heading in enumerate(block.columns):
        numeric = any(isinstance(row[k], Number) for row in block.rows)
        table.add_column(heading, justify="right" if numeric else "left", width=widths[k],
                         overflow="fold")
    for row in cells:
        table.add_row(*row)
    return table
