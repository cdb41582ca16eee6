"""The pose sheet on paper: A4 across, the cautions on every page."""

import io
import os
import textwrap
from collections import defaultdict
from itertools import pairwise

import numpy as np
from matplotlib.backends.backend_pdf import FigureCanvasPdf, PdfPages
from matplotlib.figure import Figure

from calib.report.blocks import Items, Picture, Text
from calib.report.figures.ink import FAINT, FLAG, INK, PLAIN, pen, short
from calib.report.pdf import BUILT_IN, CHARACTER, EMBEDDED

#: A4 across and its margins, inches.
WIDTH, HEIGHT = 297 / 25.4, 210 / 25.4
LEFT, RIGHT, TOP = 0.45, WIDTH - 0.45, HEIGHT - 0.4

#: Columns that are not readings, inches.
_POSE, _SIDE, _BEHIND, _SHOTS, _REMARKS = 0.5, 1.45, 0.95, 1.35, 0.85

_HEAD, _ROW, _LINE = 0.36, 0.99, 0.135


def pose_sheet_pdf(document: dict, sheet, sections) -> bytes:
    """One page of what the plan gives, then the poses.

    Parameters
    ----------
    sheet : calib.report.pose_sheet.Sheet
    sections : list of Section
        For the first page.
    """
    dates = {} if "SOURCE_DATE_EPOCH" in os.environ else {"CreationDate": None}
    out, fonts = io.BytesIO(), BUILT_IN if _western(sheet, sections) else EMBEDDED
    count = 1 + len(sheet.pages)
    with pen(fonts), PdfPages(out, metadata={"Title": sheet.title, **dates}) as pages:
        paper = _Paper(sheet, f"{sheet.title}, page 1 of {count}", fonts)
        paper.first(document, sections)
        pages.savefig(paper.drawn())
        for k, rows in enumerate(sheet.pages, 2):
            paper = _Paper(sheet, f"{sheet.title}, page {k} of {count}", fonts)
            paper.poses(rows)
            pages.savefig(paper.drawn())
    return out.getvalue()


class _Paper:
    """One page: a heading, the cautions in a box, and what fills it.

    Lines and marks are gathered and drawn together, which is far quicker.
    """

    def __init__(self, sheet, heading, fonts):
        self.sheet, self.character = sheet, CHARACTER[fonts["font.family"][0]]
        self.figure = Figure(figsize=(WIDTH, HEIGHT))
        FigureCanvasPdf(self.figure)
        self.axes = self.figure.add_axes([0, 0, 1, 1])
        self.axes.set_xlim(0, WIDTH)
        self.axes.set_ylim(0, HEIGHT)
        self.axes.axis("off")
        self.lines, self.marks = defaultdict(list), defaultdict(list)
        self.text(LEFT, TOP, sheet.subtitle, 8)
        self.text(RIGHT, TOP, heading, 8, ha="right")
        self.y = TOP - 0.2
        self._cautions()

    def text(self, x, y, text, size, **how):
        """Text with its capitals' top at y: on one line whatever letters it has."""
        how = {"va": "baseline", "color": INK, **how}
        self.axes.text(x, y - 0.72 * size / 72, text.replace("$", r"\$"), fontsize=size, **how)

    def box(self, x, y, width, height, colour=INK, line=0.7):
        """An empty box with its top left corner at x, y."""
        across, down = x + width, y - height
        self.lines[colour, line].append([(x, y), (across, y), (across, down), (x, down), (x, y)])

    def drawn(self):
        """The figure with all that was gathered."""
        for (colour, width), lines in self.lines.items():
            apart = np.vstack([part for line in lines for part in (line, [(np.nan, np.nan)])])
            self.axes.plot(*apart.T, color=colour, linewidth=width, solid_capstyle="projecting")
        for (shape, colour, fill, size), points in self.marks.items():
            self.axes.plot(*np.array(points).T, linestyle="none", marker=shape, color=colour,
                           markerfacecolor=fill, markersize=size, markeredgewidth=1.2)
        return self.figure

    def broken(self, text, inches, size):
        """Lines of a text in a width."""
        return textwrap.wrap(text, max(4, int(inches * 72 / (size * self.character)))) or [""]

    def items(self, texts, x, y, width, size=7.6, leading=_LINE):
        """A list of sentences; returns where it ends."""
        for text in texts:
            for i, line in enumerate(self.broken(text, width - 0.12, size)):
                if i == 0:
                    self.text(x, y, "-", size)
                self.text(x + 0.12, y, line, size)
                y -= leading
        return y

    def _cautions(self):
        half = (RIGHT - LEFT) / 2
        cautions, top = list(self.sheet.cautions), self.y
        middle = -(-len(cautions) // 2)
        ends = [self.items(part, LEFT + 0.1 + k * half, top - 0.07, half - 0.2)
                for k, part in enumerate((cautions[:middle], cautions[middle:]))]
        self.y = min(ends) - 0.03
        self.box(LEFT, top, RIGHT - LEFT, top - self.y, FLAG, 1.4)
        self.y -= 0.12

    def first(self, document, sections):
        """What the plan gives, how it is used, what it assumes."""
        promise, *others = sections
        picture = next((b for b in promise.blocks if isinstance(b, Picture)), None)
        width = RIGHT - LEFT if picture is None else RIGHT - LEFT - picture.size[0] * 0.74 - 0.25
        self.text(LEFT, self.y, self.sheet.title, 15, fontweight="bold")
        y = self._section(promise, LEFT, self.y - 0.34, width)
        if picture is not None:
            across, high = picture.size[0] * 0.74, picture.size[1] * 0.8
            left, bottom = RIGHT - across, self.y - 0.2 - high
            self.text(left, self.y, picture.title, 9, fontweight="bold")
            frame = self.figure.add_gridspec(
                3, 3, width_ratios=[left, across, WIDTH - RIGHT],
                height_ratios=[HEIGHT - bottom - high, high, bottom], wspace=0, hspace=0,
                left=0, right=1, top=1, bottom=0)
            picture.draw(self.figure.add_subfigure(frame[1, 1]), document)
            y = min(y, bottom)
        half = (RIGHT - LEFT - 0.3) / 2
        for k, section in enumerate(others):
            self._section(section, LEFT + k * (half + 0.3), y - 0.12, half)

    def _section(self, section, x, y, width):
        self.text(x, y, section.title, 10.5, fontweight="bold")
        y -= 0.21
        for block in section.blocks:
            if isinstance(block, Text):
                for line in self.broken("".join(map(str, block.parts)), width, 9.6):
                    self.text(x, y, line, 9, fontweight="bold")
                    y -= 0.16
                y -= 0.05
            elif isinstance(block, Items):
                for mark, parts in block.rows:
                    text = "".join(map(str, parts))
                    y = self.items([f"{mark.upper()}: {text}" if mark else text], x, y, width, 8.2,
                                   0.143) - 0.035
        return y

    def poses(self, rows):
        """The table of some poses."""
        edges = self._edges()
        for row in [None, *rows]:
            height = _HEAD if row is None else _ROW
            for left, right in pairwise(edges):
                self.box(left, self.y, right - left, height, FAINT, 0.5)
            (self._heads(edges) if row is None else self._row(row, edges))
            self.y -= height

    def _edges(self):
        count = len(self.sheet.readings)
        rest = RIGHT - LEFT - _POSE - _SIDE - _BEHIND - _SHOTS - _REMARKS
        widths = [_POSE, _SIDE, _BEHIND, *[rest / count] * count, _SHOTS, _REMARKS]
        return LEFT + np.concatenate([[0.0], np.cumsum(widths)])

    def _heads(self, edges):
        heads = ["pose; edge up, m", "from the right side",
                 "attachment from behind; circle: left corner",
                 *(f"{name.replace('_', ' ')}, deg" for name in self.sheet.readings),
                 "booked, shot; point ids", "remarks"]
        for k, head in enumerate(heads):
            lines = self.broken(head, edges[k + 1] - edges[k] - 0.04, 7)[:3]
            for i, line in enumerate(lines):
                self.text((edges[k] + edges[k + 1]) / 2, self.y - 0.03 - 0.105 * i, line, 6.6,
                          ha="center", fontweight="bold")

    def _row(self, row, edges):
        middle = (edges[:-1] + edges[1:]) / 2
        self.text(middle[0], self.y - 0.22, short(row.pose, 6), 13, ha="center", fontweight="bold")
        stand = f"new: {row.stand}" if row.new_stand else row.stand
        self.text(middle[0], self.y - 0.52, short(stand, 9), 7, ha="center",
                  fontweight="bold" if row.new_stand else "normal")
        self.text(middle[0], self.y - 0.72, short(row.edge_height, 11), 7, ha="center")
        self._sketch(row.side, self.sheet.side, edges[1], edges[2], self.sheet.ground)
        self._sketch(row.behind, self.sheet.behind, edges[2], edges[3], None)
        for k, cell in enumerate(row.cells, 3):
            width = edges[k + 1] - edges[k]
            self.text(middle[k], self.y - 0.07, cell.target, 12, ha="center", fontweight="bold")
            for i, line in enumerate(self.broken(cell.still_fine, width - 0.02, 6.6)[:2]):
                self.text(middle[k], self.y - 0.31 - 0.1 * i, line, 6.6, ha="center")
            self.box(edges[k] + 0.05, self.y - _ROW + 0.41, width - 0.1, 0.35)
        x, lines = edges[-3] + 0.06, ["readings", *self.sheet.targets]
        step = min(0.27, (_ROW - 0.1) / len(lines))
        for i, name in enumerate(lines):
            y = self.y - 0.09 - i * step
            self.box(x, y, 0.15, 0.15, line=0.9)
            self.text(x + 0.21, y - 0.02, short(name.replace("_", " "), 14), 6.8)
            if i:
                self.lines[INK, 0.5].append([(x + 0.75, y - 0.15), (edges[-2] - 0.05, y - 0.15)])

    def _sketch(self, sketch, frame, left, right, ground):
        """A drawing in its cell, all of a view to one scale."""
        scale = min((right - left - 0.06) / frame.width, (_ROW - 0.06) / frame.height)
        corner = np.array([(left + right - scale * frame.width) / 2,
                           self.y - (_ROW + scale * frame.height) / 2])

        def placed(points):
            return corner + scale * (np.asarray(points) - [frame.left, frame.bottom])

        if ground is not None:
            across = frame.left + frame.width
            self.lines[FAINT, 0.8].append(placed([[frame.left, ground], [across, ground]]))
            self.marks["s", INK, INK, 2.6].append(placed([0.0, 0.0]))
        self.lines[PLAIN, 0.8].append(placed(sketch.body))
        self.lines[INK, 1.4].append(placed(sketch.arm))
        self.lines[FLAG, 2.4].append(placed(sketch.edge))
        if ground is None:
            self.marks["o", FLAG, "white", 4.0].append(placed(sketch.edge[0]))


def _western(sheet, sections):
    """Whether the fonts that every reader has suffice."""
    try:
        repr((sheet.subtitle, sheet.pages, sheet.targets, sheet.readings, sections)).encode(
            "cp1252")
    except UnicodeEncodeError:
        return False
    return True
