"""Pages on paper: typeset from the same sections and the same drawings as the page.

A template gets what it shows as data (JSON) and pictures as SVG: nothing that comes from a file of
the user's is ever markup.
"""

import json
import os
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import matplotlib

from calib.report.blocks import (
    Block,
    Items,
    Name,
    Number,
    Picture,
    Section,
    Signature,
    Table,
    Text,
)
from calib.report.figures.style import short
from calib.report.press.lines import held

#: Longer tables stand at the end.
_LONG = 45

#: Of a table at the end paper shows at most so many rows.
_MOST = 30

#: Tables of more columns take the whole width of a page.
_NARROW = 7

#: Or of more letters in a row.
_LETTERS = 80


def pdf(template: str, contents: dict, pictures: Mapping[str, str]) -> bytes:
    """Typeset a template of this package.

    The file depends on the contents alone; its date is SOURCE_DATE_EPOCH if that is set, else
    it has none.

    Parameters
    ----------
    template : str
        Name of a file in templates/.
    contents : dict
        What the template shows.
    pictures : mapping of str to str
        Name to SVG; the template knows them as ``NAME.svg``.
    """
    import typst  # a large library, needed here alone

    date = os.environ.get("SOURCE_DATE_EPOCH")
    told = {**contents, "dated": date is not None}
    files = {"main.typ": (resources.files("calib.report") / "templates" / template).read_bytes(),
             "contents.json": json.dumps(told, ensure_ascii=False).encode("utf-8")}
    files |= {f"{name}.svg": image.encode("utf-8") for name, image in pictures.items()}
    project: Any = files  # the annotations of typst do not know that it takes a dict of files
    wanted: Any = {"format": "pdf", "font_paths": [_fonts()], "ignore_system_fonts": True,
                   "timestamp": None if date is None else int(date)}
    try:
        return typst.compile(project, **wanted)
    except typst.TypstError as error:
        # Where some floats come to stand its tree of tags breaks (0.15, "parent group"): the same
        # paper without tags, which a screen reader misses and nobody else.
        if "internal error" not in str(error):
            raise
        return typst.compile(project, pdf_tags=False, **wanted)


def report_pdf(title: str, subtitle: str, sections: Sequence[Section], pictures: Mapping[str, str],
               *, tight: bool = False, warning: str = "", foot: str = "", serial: str = "",
               stamp: str = "", job: Sequence[tuple[str, str]] = ()) -> bytes:
    """All sections: what is said, then the pictures, then the tables, so that pages are full and
    no text is cut in pieces; `tight` leaves all in place, for what must fit on one page."""
    apart = () if tight else (Picture,)
    plates = [b for s in sections for b in s.blocks if isinstance(b, apart)]
    annex = [] if tight else [b for s in sections for b in s.blocks
                              if isinstance(b, Table) and _goes_last(b)]
    said = {s.title: [block_record(b) for b in s.blocks if b not in annex and b not in plates]
            for s in sections}
    about = {s.title for s in sections if _is_of_pictures(s) and plates}
    contents = {
        "title": title, "subtitle": subtitle, "warning": warning, "foot": foot, "tight": tight,
        "running": short(title + (f", serial number {serial}" if serial else ""), 70),
        "stamp": stamp, "job": job,
        "sections": [{"title": name, "blocks": blocks} for name, blocks in said.items()
                     if blocks and name not in about],
        "about-pictures": [b for name in about for b in said[name]],
        "pictures": [block_record(b) for b in plates],
        "annex": [_table(b, _MOST) for b in annex],
    }
    return pdf("report.typ", contents, pictures)


def _is_of_pictures(section):
    """Whether what a section says is of its pictures, and stands with them."""
    return sum(isinstance(b, Picture) for b in section.blocks) > len(section.blocks) / 2


def _goes_last(table):
    return table.folded or len(table.rows) > _LONG


def block_record(block: Block) -> dict:
    """A block of a section as the template takes it."""
    match block:
        case Text():
            return {"kind": "text", "style": block.kind, "text": joined(block.parts)}
        case Items():
            return {"kind": "items", "leading": block.leading, "rows": [
                {"mark": mark, "text": joined(parts), "bad": block.needs_attention(mark)}
                for mark, parts in block.rows]}
        case Table():
            return _table(block)
        case Picture():
            return {"kind": "picture", "title": block.title, "file": f"{block.name}.svg",
                    "wide": block.across}
        case Signature():
            return {"kind": "signature", "lines": list(block.lines)}


def _table(table, most=None):
    cells = [[_cell(c, most is not None) for c in row] for row in table.rows[:most]]
    total = table.total or len(table.rows)
    few, rest = _is_narrow(table, cells), total > len(cells)
    return {
        "kind": "table",
        "caption": table.caption + (
            f" (the first {len(cells)} of {total}; all are in the CSV files)" if rest
            else ""),
        "columns": list(table.columns), "rows": cells, "wide": list(table.wide),
        "numeric": [any(isinstance(row[k], Number) for row in table.rows)
                    for k in range(len(table.columns))],
        "marked": [table.is_marked(r) for r in range(len(cells))],
        "across": not few, "narrow": few,
    }


def _is_narrow(table, cells):
    """Whether a column of the page holds a table without parting its ids."""
    words = [[c["words"] if isinstance(c, dict) else c for c in row] for row in cells]
    columns = [c for k, c in enumerate(zip(*words, strict=True)) if k not in table.wide]
    return len(table.columns) <= _NARROW and sum(max(map(len, c)) for c in columns) <= _LETTERS


def _cell(cell, plain):
    """Text, or a name in words with its code, unless it is to be `plain`, and remark."""
    if isinstance(cell, Name):
        code = "" if plain or cell.code == cell.words else cell.code
        return {"words": cell.words, "code": code, "remark": cell.remark}
    return "" if cell is None else str(cell)


def joined(parts: Sequence[object]) -> str:
    """The parts of a sentence as one text."""
    return held("".join(map(str, parts)))


@cache
def _fonts() -> Path:
    """Of the drawings."""
    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"
