"""Ink and paper: colours and axes shared by all figures, and figures as SVG.

The colours stay apart for the common kinds of colour blindness and in grey, and no meaning hangs
on colour alone: every kind of point has a marker of its own (`symbols`).
"""

import io
import re
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure, SubFigure
from matplotlib.ticker import MaxNLocator

from calib.report.blocks import Picture, Section

INK, FAINT, PLAIN, FLAG, WATCH, ASIDE, PAPER = (
    "#17222b", "#8a949c", "#0a5f86", "#b5480f", "#866500", "#6b3fa0", "#fefefe",
)

#: What stands for each colour in the page, so that dark and print styles can change them.
PAGE_COLOURS = {
    INK: "var(--ink)", FAINT: "var(--faint)", PLAIN: "var(--plain)", FLAG: "var(--flag)",
    WATCH: "var(--watch)", ASIDE: "var(--aside)", PAPER: "var(--paper)",
}

#: Sequential map of sizes (light is small), diverging map of signed numbers; in steps, which keeps
#: their bars drawn instead of embedded as pixels.
SIZES = matplotlib.colormaps["cividis_r"].resampled(20)
SIGNED = matplotlib.colormaps["PuOr"].resampled(20)

#: The smallest type of a figure, points: on a telephone still as high as newsprint.
SMALL = 8.5

STYLE: dict[Any, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 9,
    "axes.titlesize": 9,
    "axes.titlelocation": "left",
    # On the axes: matplotlib would measure all their ticks to see whether that is free.
    "axes.titley": 1.0,
    "axes.labelsize": 9,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.titlecolor": INK,
    "axes.facecolor": "none",
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.unicode_minus": False,
    "grid.color": FAINT,
    "grid.linewidth": 0.4,
    "grid.alpha": 0.5,
    "figure.facecolor": "none",
    "text.color": INK,
    # Names come from files: a dollar sign is no mathematics.
    "text.parse_math": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": SMALL,
    "ytick.labelsize": SMALL,
    "legend.frameon": False,
    "legend.fontsize": SMALL,
    "lines.linewidth": 1.0,
    "svg.fonttype": "none",
    "svg.hashsalt": "calib",
}

#: Digits behind the second decimal.
_FINE = re.compile(r"(\.\d\d)\d+")

#: Names that matplotlib gives to marks, and where any name is given or referred to.
_MARK, _REFERENCE = re.compile(r'(?<= id=")\w{10,}(?=")'), re.compile(
    r'(\bid="|url\(#|href="#)([\w-]+)')

#: What points refer to: rows of the tables begin with these, then comes a number.
SHOT, POSE = "shot-", "pose-"

#: What a figure is drawn on.
Canvas = Figure | SubFigure

#: `draw(figure, document)`, whatever document the picture is of.
Draw = Callable[[Canvas, Any], None]


def pen() -> AbstractContextManager[None]:
    """Draw inside this: the style of every figure."""
    return matplotlib.rc_context(STYLE)


def svg(name: str, draw: Draw, document: Any, size: tuple[float, float]) -> str:
    """A figure as an SVG element; `size` in inches.

    Its ids begin with `name`, so that several can share a page.
    """
    figure = Figure(figsize=size)
    FigureCanvasSVG(figure)
    draw(figure, document)
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    text = text[text.index("<svg"):].rstrip()
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.DOTALL)
    text = re.sub(r">\s+<", "><", text.replace(' target="_blank"', ""))
    # A hundredth of a point is finer than any screen; long names of marks are said once per point.
    text = re.sub(r'(?<= )(?:d|x|y)="[^"]*"', lambda at: _FINE.sub(r"\1", at[0]), text)
    marks = {mark: f"i{n}" for n, mark in enumerate(dict.fromkeys(_MARK.findall(text)))}
    text = _REFERENCE.sub(lambda at: at[1] + marks.get(at[2], at[2]), text)
    # What refers out of the figure, to a row of a table, stays as it is.
    return re.sub(rf'(\bid="|url\(#|href="#(?!{SHOT}|{POSE}))', rf"\g<1>{name}-", text)


def for_screen(image: str) -> str:
    """A drawing in the colours and the type of the page that it stands in."""
    image = image.replace("'DejaVu Sans'", "sans-serif")
    return re.sub("|".join(PAGE_COLOURS), lambda match: PAGE_COLOURS[match.group()], image)


def short(text: str, most: int = 22) -> str:
    """A text for a narrow place: ids that begin alike are told apart by their ends."""
    head = most // 3
    return text if len(text) <= most else f"{text[:head]}…{text[head + 1 - most:]}"


def zero_line(axes: Axes) -> None:
    """The line that residuals scatter about."""
    axes.axhline(0, color=INK, linewidth=0.7)


def limit_lines(axes: Axes, values: Iterable[float], horizontal: bool = True) -> None:
    """Critical values, dashed."""
    for value in values:
        line = axes.axhline if horizontal else axes.axvline
        line(value, color=FLAG, linewidth=0.9, linestyle=(0, (5, 3)))


def named_rows(axes: Axes, names: list[str]) -> np.ndarray:
    """Places of rows from the top down, their names at the axis."""
    places = np.arange(len(names))[::-1]
    axes.set_yticks(places, names)
    axes.set_ylim(-0.7, len(names) - 0.3)
    return places


def text_width(text: str) -> float:
    """Of small type, about, inches: digits and most letters are this wide."""
    return 0.636 * SMALL * len(text) / 72


def few_ticks(axes: Axes, x: int = 6, y: int = 5) -> None:
    """At most so many ticks."""
    axes.xaxis.set_major_locator(MaxNLocator(x))
    axes.yaxis.set_major_locator(MaxNLocator(y))


def grid(figure: Canvas, rows: int = 1, columns: int = 1, *, left: float = 0.62,
         right: float = 0.15, top: float = 0.3, bottom: float = 0.45,
         between: tuple[float, float] = (0.3, 0.35), share_x: bool = False) -> np.ndarray:
    """Axes in a grid, shape (rows, columns); margins and gaps in inches, gaps as (across, down)."""
    width, height = (figure.bbox.width / figure.dpi, figure.bbox.height / figure.dpi)
    cell_width = (width - left - right - (columns - 1) * between[0]) / columns
    cell_height = (height - top - bottom - (rows - 1) * between[1]) / rows
    return figure.subplots(
        rows, columns, squeeze=False, sharex=share_x,
        gridspec_kw={
            "left": left / width, "right": 1 - right / width,
            "top": 1 - top / height, "bottom": bottom / height,
            "wspace": between[0] / cell_width, "hspace": between[1] / cell_height,
        },
    )


def drawings(document: Any, sections: Sequence[Section], part: slice = slice(None)
             ) -> dict[str, str]:
    """Name to SVG of every picture of the sections, or of a `part` of all pictures."""
    pictures = [b for s in sections for b in s.blocks if isinstance(b, Picture)]
    with pen():
        return {p.name: svg(p.name, p.draw, document, p.size) for p in pictures[part]}
