"""Ink and paper: colours, markers and axes shared by all figures, and figures as SVG.

The colours stay apart for the common kinds of colour blindness and in grey, and no meaning hangs
on colour alone: every kind of point has a marker of its own.
"""

import io
import re
from collections.abc import Callable
from typing import Any

import matplotlib
import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure, SubFigure
from matplotlib.ticker import MaxNLocator

INK, FAINT, PLAIN, FLAG, ASIDE, PAPER = (
    "#17222b", "#8a949c", "#0a5f86", "#b5480f", "#6b3fa0", "#fefefe",
)

#: What stands for each colour in the page, so that dark and print styles can change them.
PAGE_COLOURS = {
    INK: "var(--ink)", FAINT: "var(--faint)", PLAIN: "var(--plain)", FLAG: "var(--flag)",
    ASIDE: "var(--aside)", PAPER: "var(--paper)",
}

#: Sequential map of sizes (light is small), diverging map of signed numbers; in steps, which keeps
#: their bars drawn instead of embedded as pixels.
SIZES = matplotlib.colormaps["cividis_r"].resampled(20)
SIGNED = matplotlib.colormaps["PuOr"].resampled(20)

STYLE = {
    "font.family": ["DejaVu Sans"],
    "font.size": 8.5,
    "axes.titlesize": 9,
    "axes.titlelocation": "left",
    "axes.labelsize": 8.5,
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
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "legend.frameon": False,
    "legend.fontsize": 8,
    "lines.linewidth": 1.0,
    "svg.fonttype": "none",
    "svg.hashsalt": "calib",
}

#: Beyond this many ordinary points a figure thins them out; flagged ones are always drawn.
MOST_POINTS = 400

#: `draw(figure, document)`, whatever document the picture is of.
Draw = Callable[[Figure | SubFigure, Any], None]


def pen():
    """Draw inside this: the style of every figure."""
    return matplotlib.rc_context(STYLE)


def svg(name: str, draw: Draw, document, size: tuple[float, float]) -> str:
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
    return re.sub(r'(\bid="|url\(#|href="#)', rf"\g<1>{name}-", text)


def for_screen(image: str) -> str:
    """A drawing in the colours and the type of the page that it stands in."""
    image = image.replace("'DejaVu Sans'", "sans-serif")
    return re.sub("|".join(PAGE_COLOURS), lambda match: PAGE_COLOURS[match.group()], image)


def thinned(count: int, keep: np.ndarray, most: int = MOST_POINTS) -> tuple[np.ndarray, int]:
    """Which of `count` points to draw, and one in how many of the ordinary ones that is.

    Parameters
    ----------
    keep : ndarray of bool, shape (count,)
        Points that are drawn in any case.
    """
    every = max(1, int(np.ceil(count / most)))
    shown = keep | (np.arange(count) % every == 0)
    return np.flatnonzero(shown), every


#: Kinds of points.
ORDINARY, SUSPECT, SET_ASIDE = 0, 1, 2
COLOURS = (PLAIN, FLAG, ASIDE)


def points(axes, x, y, kind, size: float = 11.0):
    """Ordinary points as filled circles, suspects as open diamonds, set aside ones as crosses.

    `kind` may also be a mask of suspects.
    """
    x, y, kind = np.asarray(x, float), np.asarray(y, float), np.asarray(kind, int)
    for of, how in (
        (ORDINARY, {"s": size, "marker": "o", "color": PLAIN, "linewidths": 0}),
        (SUSPECT, {"s": 4 * size, "marker": "D", "facecolors": "none", "edgecolors": FLAG,
                   "linewidths": 1.3, "zorder": 3}),
        (SET_ASIDE, {"s": 4 * size, "marker": "x", "color": ASIDE, "linewidths": 1.5,
                     "zorder": 3}),
    ):
        if (kind == of).any():
            axes.scatter(x[kind == of], y[kind == of], **how)


def label_points(axes, x, y, texts, kind, most: int = 8):
    """Write the ids of flagged points beside them, the outermost `most`, clear of each other."""
    kind = np.asarray(kind, int)
    rows = [i for i in np.flatnonzero(kind) if np.isfinite(y[i])]
    rows = sorted(rows, key=lambda i: -abs(y[i]))[:most]
    middle, point = sum(axes.get_xlim()) / 2, 72 / axes.figure.dpi
    floor = axes.transData.transform((middle, axes.get_ylim()[0]))[1] * point + 4
    for left in (True, False):
        side = sorted((i for i in rows if (x[i] > middle) == left), key=lambda i: -y[i])
        at = np.array([axes.transData.transform((x[i], y[i]))[1] * point for i in side])
        for i, shown in zip(side, _spread_out(at, 8.5, floor), strict=True):
            here = axes.transData.transform((x[i], y[i]))[1] * point
            axes.annotate(
                short(texts[i]), (x[i], y[i]), xytext=(-9 if left else 9, shown - here),
                textcoords="offset points", ha="right" if left else "left", va="center",
                fontsize=7, color=COLOURS[kind[i]],
                arrowprops=None if abs(shown - here) < 1 else {
                    "arrowstyle": "-", "color": COLOURS[kind[i]], "linewidth": 0.5, "shrinkA": 0,
                    "shrinkB": 3},
            )


def _spread_out(at: np.ndarray, least: float, floor: float) -> np.ndarray:
    """Heights (falling) moved as little as keeps them `least` apart and above `floor`."""
    shown = at.copy()
    for i in range(1, len(shown)):
        shown[i] = min(shown[i], shown[i - 1] - least)
    for i in range(len(shown) - 1, -1, -1):
        below = floor if i == len(shown) - 1 else shown[i + 1] + least
        shown[i] = max(shown[i], below)
    return shown


def room_for(values, flagged) -> float:
    """Half the height of a panel of residuals: room for the ordinary and the nearer suspects."""
    size = np.abs(np.asarray(values, float))
    usual = size[(np.asarray(flagged, int) == ORDINARY) & np.isfinite(size)]
    usual = float(usual.max()) if usual.size else float(np.nanmax(size, initial=1.0))
    return max(1.2 * min(float(np.nanmax(size, initial=0.0)), 2.0 * usual), 1.0)


def short(text: str, most: int = 22) -> str:
    """A text for a narrow place."""
    return text if len(text) <= most else text[: most - 1] + "…"


def zero_line(axes):
    """The line that residuals scatter about."""
    axes.axhline(0, color=INK, linewidth=0.7)


def limit_lines(axes, values, horizontal: bool = True):
    """Critical values, dashed."""
    for value in values:
        line = axes.axhline if horizontal else axes.axvline
        line(value, color=FLAG, linewidth=0.9, linestyle=(0, (5, 3)))


def few_ticks(axes, x: int = 6, y: int = 5):
    """At most so many ticks."""
    axes.xaxis.set_major_locator(MaxNLocator(x))
    axes.yaxis.set_major_locator(MaxNLocator(y))


def grid(figure, rows: int = 1, columns: int = 1, *, left=0.62, right=0.15, top=0.3, bottom=0.45,
         between=(0.3, 0.35), share_x=False, share_y=False):
    """Axes in a grid, shape (rows, columns); margins and gaps in inches, gaps as (across, down)."""
    width, height = (figure.bbox.width / figure.dpi, figure.bbox.height / figure.dpi)
    cell_width = (width - left - right - (columns - 1) * between[0]) / columns
    cell_height = (height - top - bottom - (rows - 1) * between[1]) / rows
    return figure.subplots(
        rows, columns, squeeze=False, sharex=share_x, sharey=share_y,
        gridspec_kw={
            "left": left / width, "right": 1 - right / width,
            "top": 1 - top / height, "bottom": bottom / height,
            "wspace": between[0] / cell_width, "hspace": between[1] / cell_height,
        },
    )
