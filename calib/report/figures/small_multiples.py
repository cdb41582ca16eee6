"""Many small pictures in one pair of axes: far quicker to draw than as many axes."""

from collections import defaultdict
from typing import Any

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.text import Text
from matplotlib.ticker import MaxNLocator
from numpy.typing import ArrayLike

from calib.report.figures.style import FAINT, INK, SMALL, Canvas, grid, text_width


class CellGrid:
    """Cells of equal size, measured in inches, on one pair of bare axes.

    Parameters
    ----------
    figure : Figure or SubFigure
    rows, columns : int
    gap : (float, float)
        Between cells, across and down, inches.
    """

    def __init__(self, figure: Canvas, rows: int, columns: int, *, left: float = 0.6,
                 right: float = 0.12, top: float = 0.4, bottom: float = 0.4,
                 gap: tuple[float, float] = (0.45, 0.5)):
        width, height = figure.bbox.width / figure.dpi, figure.bbox.height / figure.dpi
        self.size = ((width - left - right - (columns - 1) * gap[0]) / columns,
                     (height - top - bottom - (rows - 1) * gap[1]) / rows)
        self.step = (self.size[0] + gap[0], self.size[1] + gap[1])
        self.top = height - top
        self.left = left
        self.axes = grid(figure, left=0, right=0, top=0, bottom=0)[0, 0]
        self.axes.set_xlim(0, width)
        self.axes.set_ylim(0, height)
        self.axes.axis("off")
        self._lines: dict[tuple, list[np.ndarray]] = defaultdict(list)

    def cell(self, row: int, column: int) -> tuple[float, float]:
        """Lower left corner of a cell, inches."""
        return self.left + column * self.step[0], self.top - row * self.step[1] - self.size[1]

    def line(self, x: ArrayLike, y: ArrayLike, colour: str = INK, width: float = 0.7,
             style: Any = "-") -> None:
        """A line through places in inches; drawn by `finish`, all of a kind at once."""
        self._lines[colour, width, style].append(np.column_stack([x, y]))

    def finish(self) -> None:
        """Draw the lines: few collections are far quicker than many lines."""
        for (colour, width, style), lines in self._lines.items():
            self.axes.add_collection(
                LineCollection(lines, colors=colour, linewidths=width, linestyles=style, zorder=1),
                autolim=False)

    def text(self, x: float, y: float, text: str, **how: Any) -> Text:
        """Text at a place in inches."""
        how = {"fontsize": SMALL, "color": INK, **how}
        return self.axes.text(x, y, text, **how)


class Plot:
    """A small plot in one of the cells: frame, ticks and a map from data to inches."""

    def __init__(self, cells: CellGrid, row: int, column: int, x_range: tuple[float, float],
                 y_range: tuple[float, float], title: str = "", *,
                 x_label: str, y_labels: bool = True, x_whole: bool = False, y_whole: bool = False):
        self.cells, self.x_range, self.y_range = cells, x_range, y_range
        self.corner = cells.cell(row, column)
        (left, bottom), (width, height) = self.corner, cells.size
        cells.line([left, left, left + width], [bottom + height, bottom, bottom])
        if title:
            cells.text(left, bottom + height + 0.04, title, va="bottom")
        for value in _apart(_ticks(x_range, 4, x_whole), x_range, width):
            x, _ = self.place(value, y_range[0])
            cells.line([x, x], [bottom, bottom + height], FAINT, 0.3)
            cells.text(x, bottom - 0.04, f"{value:g}", ha="center", va="top")
        for value in _ticks(y_range, 2, y_whole):
            _, y = self.place(x_range[0], value)
            kind = (INK, 0.7) if value == 0 else (FAINT, 0.3)
            cells.line([left, left + width], [y, y], *kind)
            if y_labels:
                cells.text(left - 0.05, y, f"{value:g}", ha="right", va="center")
        cells.text(left + width / 2, bottom - 0.19, x_label, ha="center", va="top")

    def place(self, x: ArrayLike, y: ArrayLike) -> tuple[Any, Any]:
        """Data to inches."""
        (left, bottom), (width, height) = self.corner, self.cells.size
        (x0, x1), (y0, y1) = self.x_range, self.y_range
        return (left + width * (np.asarray(x) - x0) / (x1 - x0),
                bottom + height * (np.asarray(y) - y0) / (y1 - y0))


def _apart(ticks, limits, width):
    """Every tick, or every second of them and so on: so many as can be read, `width` in inches."""
    step = np.diff(ticks[:2]).sum() * width / (limits[1] - limits[0])
    widest = max((text_width(f"{tick:g}") for tick in ticks), default=0.0) + 0.08
    every = 1 if len(ticks) < 2 else int(np.ceil(widest / step))
    return ticks[(len(ticks) - 1) % every // 2::every]


def padded(values: ArrayLike) -> tuple[float, float]:
    """A range with a little room on both sides, never empty."""
    low, high = float(np.min(values)), float(np.max(values))
    room = 0.05 * (high - low) or 0.5 * max(abs(low), 1.0)
    return low - room, high + room


def _ticks(limits, count, whole=False):
    low, high = limits
    ticks = MaxNLocator(count, integer=whole).tick_values(low, high)
    return [t for t in ticks if low <= t <= high]
