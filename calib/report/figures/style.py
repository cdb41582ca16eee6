"""Ink and paper: colours, markers and axes shared by all figures, and figures as SVG.

The colours stay apart for the common kinds of colour blindness and in grey, and no meaning hangs
on colour alone: every kind of point has a marker of its own.
"""

import io
import re
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

import matplotlib
import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure, SubFigure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath
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

#: The smallest type of a figure, points: on a telephone still as high as newsprint.
SMALL = 8.5

STYLE = {
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


#: Kinds of points; `BESIDE` is what shares the pose of a suspect.
ORDINARY, SUSPECT, SET_ASIDE, BESIDE = 0, 1, 2, 3
COLOURS = (PLAIN, FLAG, ASIDE, FLAG)

#: What points refer to: rows of the tables begin with these, then comes a number.
SHOT, POSE = "shot-", "pose-"


def points(axes, x, y, kind, size: float = 11.0, refs: Sequence[str] | None = None):
    """Ordinary points as filled circles, suspects as open diamonds, set aside ones as crosses,
    what is beside a suspect as open circles.

    `kind` may also be a mask of suspects. `refs` are what the points are of: on a screen they are
    links to that row, and the page lights up all points of one shot together.
    """
    x, y, kind = np.asarray(x, float), np.asarray(y, float), np.asarray(kind, int)
    for of, how in (
        (ORDINARY, {"s": size, "marker": "o", "color": PLAIN, "linewidths": 0}),
        (BESIDE, {"s": 3 * size, "marker": "o", "facecolors": "none", "edgecolors": FLAG,
                  "linewidths": 1.0, "zorder": 3}),
        (SUSPECT, {"s": 4 * size, "marker": "D", "facecolors": "none", "edgecolors": FLAG,
                   "linewidths": 1.3, "zorder": 3}),
        (SET_ASIDE, {"s": 4 * size, "marker": "x", "color": ASIDE, "linewidths": 1.5,
                     "zorder": 3}),
    ):
        rows = np.flatnonzero(kind == of)
        if len(rows):
            linked(axes.scatter(x[rows], y[rows], **how), refs, rows)


def linked(collection, refs: Sequence[str] | None, rows):
    """Link each of a collection's parts to what it is of; without `refs` to nothing."""
    if refs is not None:
        collection.set_urls([f"#{refs[i]}" for i in rows])


def label_points(axes, x, y, texts, kind, most: int = 8, clear_of=()):
    """Write the ids of suspects and of what was set aside beside their points, the outermost
    `most`, each once, clear of each other, of these points and of the places `clear_of`, (k, 2)."""
    kind = np.asarray(kind, int)
    rows = [int(i) for i in np.flatnonzero((kind == SUSPECT) | (kind == SET_ASIDE))
            if np.isfinite(y[i])]
    rows = sorted(rows, key=lambda i: -abs(y[i]))
    seen: dict[str, int] = {}
    for i in rows:
        seen.setdefault(texts[i], i)
    point = 72 / axes.figure.dpi
    at = {i: point * axes.transData.transform((x[i], y[i])) for i in rows}
    taken = [(*(at[i] - 6), *(at[i] + 6)) for i in rows]
    taken += [(*(place - 2), *(place + 2)) for place in point * axes.transData.transform(
        np.reshape(clear_of, (-1, 2)))]
    room = point * axes.transAxes.transform([(0, 0), (1, 1)]).ravel()
    seen_at = np.column_stack([x, y])[np.isfinite(y)]
    others = point * axes.transData.transform(seen_at[:: 1 + len(seen_at) // _MOST_IN_THE_WAY])
    for i in list(seen.values())[:most]:
        text = short(texts[i])
        width, height = _text_size(text)
        middle = _free_place(at[i], (width, height), taken, room, others)
        taken.append((middle[0] - width / 2, middle[1] - height / 2,
                      middle[0] + width / 2, middle[1] + height / 2))
        away = np.hypot(*(middle - at[i])) > width / 2 + 14
        axes.annotate(
            text, (x[i], y[i]), xytext=middle - at[i], textcoords="offset points", ha="center",
            va="center", fontsize=SMALL, color=COLOURS[kind[i]],
            arrowprops={"arrowstyle": "-", "color": COLOURS[kind[i]], "linewidth": 0.5,
                        "shrinkA": 0, "shrinkB": 4} if away else None)


@cache
def _text_size(text: str) -> tuple[float, float]:
    """Width and height of small type with a little room, points."""
    path = TextPath((0, 0), text, size=SMALL, prop=FontProperties(family="DejaVu Sans"))
    return float(path.get_extents().width) + 5, 1.25 * SMALL


#: Of more points than so many each label minds only some.
_MOST_IN_THE_WAY = 1000

#: How far a label rather goes than to cover a point, points.
_RATHER = 6.0


def _free_place(at, size, taken, room, others):
    """The middle of the nearest free box of a size beside a point, points.

    `room` encloses it; of `others`, points that may be covered, it covers few.
    """
    width, height = size
    beside = [(side * (width / 2 + 8), 0.0) for side in (1, -1)]
    left, bottom, right, top = room
    columns = np.arange(left + width / 2, max(right - width / 2, left + width / 2) + 1, 6.0)
    levels = np.arange(bottom + height / 2, max(top - height / 2, bottom + height / 2) + 1, 4.0)
    places = np.vstack([beside, [(c, r) - at for c in columns for r in levels]])
    # A label above or below its point reads as well as one beside it.
    cost = np.hypot(np.maximum(np.abs(places[:, 0]) - width / 2, 0), places[:, 1])
    cost[:len(beside)] = 4.0
    places = places + at
    half = np.array([width / 2, height / 2])
    low, high = places - half, places + half
    cost += _RATHER * np.sum(np.all((others > low[:, None]) & (others < high[:, None]), 2), 1)
    boxes = np.array(taken)
    free = ~np.any(np.all((boxes[:, :2] < high[:, None]) & (boxes[:, 2:] > low[:, None]), 2), 1)
    free &= np.all(low >= (left - 1, bottom - 1), 1) & np.all(high <= (right + 1, top + 1), 1)
    return places[np.argmin(np.where(free, cost, np.inf))] if free.any() else places[0]


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
