"""Reports as PDF, A4, drawn by matplotlib from the same sections as the page."""

import io
import json
import os
import textwrap
from collections.abc import Sequence

from matplotlib import rcParams
from matplotlib.backends.backend_pdf import FigureCanvasPdf, PdfPages
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from calib.report.blocks import Items, Number, Picture, Section, Signature, Table, Text
from calib.report.figures.ink import FLAG, INK, pen

#: A4 and its margins, inches.
WIDTH, HEIGHT = 210 / 25.4, 297 / 25.4
LEFT, TOP, BOTTOM = 0.58, 0.6, 0.65
BODY = WIDTH - 2 * LEFT

#: Points of the text, and inches from line to line.
SIZES = {"title": 16, "heading": 13, "lead": 10.5, "plain": 9, "note": 8.5, "caption": 9,
         "cell": 6.9}
LEADING = {name: size * 1.36 / 72 for name, size in SIZES.items()}

#: Mean width of a character over its height, of running text by font, and of the tables.
CHARACTER, MONO = {"Helvetica": 0.515, "DejaVu Sans": 0.585}, 0.602

#: The fonts every PDF reader has are quick to lay out, but know Western characters only.
BUILT_IN = {"pdf.use14corefonts": True, "font.family": ["Helvetica"], "font.monospace": ["Courier"]}
EMBEDDED = {"font.family": ["DejaVu Sans"], "font.monospace": ["DejaVu Sans Mono"]}


def pdf(document: dict, title: str, subtitle: str, sections: Sequence[Section],
        tight: bool = False, warning: str = "") -> bytes:
    """All sections, a page after the other; `tight` saves room for what must fit on one.

    A `warning` stands in a box above everything.

    The file depends on the document alone; its date is SOURCE_DATE_EPOCH if that is set, else
    it has none.
    """
    dates = {} if "SOURCE_DATE_EPOCH" in os.environ else {"CreationDate": None}
    out = io.BytesIO()
    fonts = BUILT_IN if _western(json.dumps(document, ensure_ascii=False)) else EMBEDDED
    with pen(fonts), PdfPages(out, metadata={"Title": title, **dates}) as pages:
        paper = _Paper(pages, title, document, 0.0 if tight else 1.0)
        if warning:
            paper.box(warning)
        paper.line(title, "title", bold=True)
        paper.paragraph(subtitle, "plain")
        for section in sections:
            paper.heading(section.title)
            for block in section.blocks:
                _BLOCKS[type(block)](paper, block)
        paper.close()
    return out.getvalue()


class _Paper:
    """Pages that fill from the top; a block that does not fit begins the next."""

    def __init__(self, pages, title, document, air):
        self.pages, self.title, self.document, self.air = pages, title, document, air
        self.figure, self.y, self.number = None, 0.0, 0
        self.turn()

    def turn(self):
        """Begin a page."""
        self.close()
        self.figure = Figure(figsize=(WIDTH, HEIGHT))
        FigureCanvasPdf(self.figure)
        self.y = TOP
        self.number += 1
        self.put(LEFT, HEIGHT - 0.35, f"{self.title}, page {self.number}", "note")

    def close(self):
        """Put the page at hand into the file."""
        if self.figure is not None:
            self.pages.savefig(self.figure)
            self.figure = None

    def need(self, inches):
        """Begin a page if there is not so much room on this one."""
        if self.y + inches > HEIGHT - BOTTOM and self.y > TOP:
            self.turn()

    def put(self, x, y, text, size, **how):
        """A line of text with its top at y inches from the page's top."""
        baseline = y + 0.95 * SIZES[size] / 72
        how = {"color": INK, "va": "baseline", "fontsize": SIZES[size], **how}
        self.figure.text(x / WIDTH, 1 - baseline / HEIGHT, _plain(text), **how)

    def line(self, text, size, indent=0.0, bold=False, colour=INK):
        """One line."""
        self.need(LEADING[size])
        self.put(LEFT + indent, self.y, text, size, color=colour,
                 fontweight="bold" if bold else "normal")
        self.y += LEADING[size]

    def paragraph(self, text, size, indent=0.0, bold=False, colour=INK):
        """Text broken into lines."""
        for line in _broken(text, BODY - indent, SIZES[size] * (1.08 if bold else 1.0)):
            self.line(line, size, indent, bold, colour)

    def box(self, text):
        """Bold text in a box."""
        top = self.y
        self.y += 0.05
        self.paragraph(text, "lead", 0.1, bold=True)
        self.y += 0.05
        self.figure.add_artist(Rectangle(
            (LEFT / WIDTH, 1 - self.y / HEIGHT), BODY / WIDTH, (self.y - top) / HEIGHT,
            fill=False, edgecolor=FLAG, linewidth=1.5))
        self.y += 0.08

    def heading(self, text):
        """A section's heading, never alone at the foot of a page."""
        self.need(0.6 + self.air)
        self.y += 0.12 * self.air if self.y > TOP else 0.0
        self.line(text, "heading", bold=True)
        self.y += 0.04


def _text(paper, block: Text):
    size = block.kind if block.kind in SIZES else "plain"
    paper.paragraph(_joined(block.parts), size, bold=block.kind == "lead")
    paper.y += 0.05


def _items(paper, block: Items):
    for mark, parts in block.rows:
        bad = mark not in ("", "passed", "notice")
        text = f"{mark}: {_joined(parts)}" if mark else _joined(parts)
        lines = _broken(text, BODY - 0.2, SIZES["plain"])
        paper.need(LEADING["plain"] * len(lines))
        paper.put(LEFT, paper.y, "!" if bad else "-", "plain", color=FLAG if bad else INK)
        for line in lines:
            paper.line(line, "plain", 0.2)
    paper.y += 0.06 * paper.air


def _picture(paper, block: Picture):
    width, height = block.size
    scale = min(1.0, BODY / width, (HEIGHT - TOP - BOTTOM - 0.3) / height)
    height *= scale
    paper.need(height + 0.3)
    paper.line(block.title, "caption", bold=True)
    left, bottom = (WIDTH - width * scale) / 2, HEIGHT - paper.y - height
    # Subfigures know no margins: the picture is the middle cell of nine.
    frame = paper.figure.add_gridspec(
        3, 3, width_ratios=[left, width * scale, WIDTH - left - width * scale],
        height_ratios=[paper.y, height, bottom], wspace=0, hspace=0,
    )
    block.draw(paper.figure.add_subfigure(frame[1, 1]), paper.document)
    paper.y += height + 0.12 * paper.air


def _table(paper, block: Table):
    """Rows in a type of one width: a row is one text, which is quick to draw."""
    cells = [["" if c is None else str(c) for c in row] for row in block.rows]
    numeric = [any(isinstance(row[k], Number) for row in block.rows)
               for k in range(len(block.columns))]
    widths = _column_widths(block, cells)
    head = _row_lines(block.columns, widths, numeric)
    rows = [_row_lines(row, widths, numeric) for row in cells]
    rest = block.total is not None and block.total > len(cells)
    caption = block.caption + (f" (the first {len(cells)} of {block.total})" if rest else "")
    start, leading = 0, LEADING["cell"]
    while True:
        paper.need(2 * LEADING["caption"] + leading * (len(head) + 3))
        paper.paragraph(caption if start == 0 else f"{block.caption} (continued)", "caption",
                        bold=True)
        room = int((HEIGHT - BOTTOM - paper.y - 0.1) / leading) - len(head)
        end = start
        while end < len(rows) and sum(map(len, rows[start : end + 1])) <= room:
            end += 1
        end = min(max(end, start + 1), len(rows))
        _mono(paper, head, fontweight="bold")
        _rule(paper)
        plain, marked = [], []
        for r in range(start, end):
            blank = [""] * len(rows[r])
            plain += blank if block.is_marked(r) else rows[r]
            marked += rows[r] if block.is_marked(r) else blank
        if any(marked):
            _mono(paper, marked, advance=False, color=FLAG, fontweight="bold")
        _mono(paper, plain)
        start = end
        if start >= len(rows):
            break
        paper.turn()
    paper.y += 0.05 + 0.09 * paper.air


def _mono(paper, lines, advance=True, **how):
    for i, line in enumerate(lines):
        if line:
            paper.put(LEFT, paper.y + i * LEADING["cell"], line, "cell",
                      family=rcParams["font.monospace"], **how)
    if advance:
        paper.y += len(lines) * LEADING["cell"]


def _rule(paper):
    y = 1 - (paper.y + 0.015) / HEIGHT
    paper.figure.add_artist(Line2D([LEFT / WIDTH, 1 - LEFT / WIDTH], [y, y], color=INK,
                                   linewidth=0.6))
    paper.y += 0.04


def _row_lines(cells, widths, numeric):
    """A row as lines of text, its cells broken to their widths."""
    broken = [textwrap.wrap(cell, width) or [""]
              for cell, width in zip(cells, widths, strict=True)]
    lines = []
    for i in range(max(map(len, broken))):
        parts = [(b[i] if i < len(b) else "") for b in broken]
        lines.append("  ".join(
            part.rjust(width) if right else part.ljust(width)
            for part, width, right in zip(parts, widths, numeric, strict=True)).rstrip())
    return lines


def _column_widths(block, cells):
    """Widths in characters: what the cells need; the widest give way where there is no room."""
    widths = []
    for k, heading in enumerate(block.columns):
        words = [*heading.split(), *(row[k] for row in cells)]
        widths.append(max(map(len, words), default=1) or 1)
    room = int(BODY * 72 / (SIZES["cell"] * MONO)) - 2 * (len(widths) - 1)
    while sum(widths) > room:
        widths[widths.index(max(widths))] -= 1
    return widths


def _joined(parts) -> str:
    return "".join(str(part) for part in parts)


def _broken(text: str, inches: float, points: float) -> list[str]:
    count = max(4, int(inches * 72 / (points * CHARACTER[rcParams["font.family"][0]])))
    return textwrap.wrap(text, count) or [""]


def _western(text: str) -> bool:
    try:
        text.encode("cp1252")
    except UnicodeEncodeError:
        return False
    return True


def _plain(text: str) -> str:
    """Text as it is: matplotlib must not take dollars for mathematics."""
    return text.replace("$", r"\$")


def _signature(paper, block: Signature):
    paper.need(0.6)
    paper.y += 0.36
    step = BODY / len(block.lines)
    for k, line in enumerate(block.lines):
        left = LEFT + k * step
        y = 1 - paper.y / HEIGHT
        paper.figure.add_artist(Line2D([left / WIDTH, (left + step - 0.25) / WIDTH], [y, y],
                                       color=INK, linewidth=0.7))
        paper.put(left, paper.y + 0.03, line, "note")
    paper.y += 0.22


_BLOCKS = {Signature: _signature, Text: _text, Items: _items, Table: _table, Picture: _picture}
