"""What a report is made of, before it is a page or a PDF: sections of text, tables and pictures.

Every number carries its raw value from result.json beside the text it is shown as, so that a
reader (and a test) can trace it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from calib.report.numbers import SHOWN, value_and_sd
from calib.report.spoken import spoken

#: Pictures are as wide as a telephone shows and a column of paper holds; those that need it as wide
#: as the paper. Inches.
COLUMN, ACROSS = 4.3, 7.1


@dataclass(frozen=True)
class Number:
    """A number of result.json as it is shown."""

    raw: float  #: As in result.json.
    text: str
    factor: float = 1.0  #: What `raw` was multiplied by.

    def __str__(self):
        return self.text


@dataclass(frozen=True)
class Name:
    """A code name, shown in words with the code small behind it; as text the code alone.

    `remark` is a line of small print below.
    """

    code: str
    remark: str = ""

    @property
    def words(self) -> str:
        """As people say it."""
        return spoken(self.code)

    def __str__(self):
        return self.code


class Link(str):
    """Text that leads to another page of the same folder or below it."""

    href: str

    def __new__(cls, text: str, href: str):
        made = super().__new__(cls, text)
        made.href = href
        return made


Part = str | Number
Cell = str | Number | Name | None


@dataclass(frozen=True)
class Text:
    """A paragraph; `kind` is "plain", "note" or "lead"."""

    parts: tuple[Part, ...]
    kind: str = "plain"


#: Marks of items that need nobody's attention.
_CALM = ("", "passed", "notice", "yes", "check", "edge before and after", "first", "second")


@dataclass(frozen=True)
class Items:
    """A list; each item has a mark in words ("passed", "FAILED", "yes", "") and its parts.

    `leading` ones stand large, before all else.
    """

    rows: tuple[tuple[str, tuple[Part, ...]], ...]
    leading: bool = False

    @staticmethod
    def needs_attention(mark: str) -> bool:
        """Whether an item of that mark is to be looked at."""
        return mark not in _CALM


@dataclass(frozen=True)
class Table:
    """A table."""

    caption: str
    columns: Sequence[str]  #: Headings, with units.
    rows: Sequence[Sequence[Any]]  #: Of `Cell`.
    #: Rows that need attention; one of their cells says so in words.
    marked: list[bool] = field(default_factory=list)
    wide: Sequence[int] = ()  #: Columns of running text, which wrap.
    total: int | None = None
    folded: bool = False  #: Shown when asked for; on paper at the end.
    #: Per row what it is of, such as ``shot-3``, as the pictures' points refer to it.
    refs: Sequence[str] = ()

    def is_marked(self, row: int) -> bool:
        """Whether a row needs attention."""
        return bool(self.marked) and self.marked[row]


@dataclass(frozen=True)
class Picture:
    """A figure: `draw(figure, document)` in a frame of `size` inches."""

    name: str
    title: str
    alternative: str
    draw: Callable
    size: tuple[float, float]

    @property
    def across(self) -> bool:
        """Whether it takes the whole width of a page."""
        return self.size[0] > COLUMN


def in_two(name: str, title: str, alternative: str, draw: Callable, plots: Sequence,
           margin: float, row: float) -> list[Picture]:
    """Many plots, two across, as two pictures of a column: legible on a telephone, side by side.

    `draw(figure, document, plots)` draws some of them, in rows so many inches high, and a `margin`.
    """
    half = 2 * -(-len(plots) // 4)
    return [Picture(name + more, title + (", continued" if more else ""), alternative,
                    partial(draw, plots=part), (COLUMN, margin + row * -(-len(part) // 2)))
            for more, part in (("", plots[:half]), ("-continued", plots[half:])) if part]


@dataclass(frozen=True)
class Signature:
    """Lines to be filled in by hand, with what goes on each."""

    lines: tuple[str, ...]


Block = Text | Items | Table | Picture | Signature


@dataclass(frozen=True)
class Section:
    """A part of the report with a heading."""

    name: str
    title: str
    blocks: tuple[Block, ...]


def fixed(raw: float | None, decimals: int, factor: float = 1.0, sign: bool = False) -> Part | None:
    """A number with so many decimals; None stays None."""
    if raw is None:
        return None
    text = f"{factor * raw:{'+' if sign else ''}.{decimals}f}"
    if float(text) == 0:
        text = text.replace("-", "").replace("+", "")
    return Number(raw, text, factor)


def mm(raw: float | None, decimals: int = 1, sign: bool = False) -> Part | None:
    """A length of the record in millimetres."""
    return fixed(raw, decimals, 1000.0, sign)


def value_cells(value: float | None, sd: float | None, unit: str
                ) -> tuple[Cell, Cell, Callable[..., Part | None]]:
    """Value and sd with the digits that the sd justifies, and what writes others with as many."""
    _, factor = SHOWN[unit]
    if value is None:
        return None, None, partial(fixed, decimals=0, factor=factor)
    text, sd_text = value_and_sd(value, sd, factor)
    spread = Number(sd, sd_text, factor) if sd else None
    return Number(value, text, factor), spread, partial(
        fixed, decimals=len(text.partition(".")[2]), factor=factor)


def words(*parts: Part | None) -> tuple[Part, ...]:
    """Parts of a sentence; None becomes a dash."""
    return tuple("-" if part is None else part for part in parts)
