"""The points of plots: what each kind looks like, which are drawn, and the numbers beside them."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import Collection
from numpy.typing import ArrayLike

from calib.report.figures.style import ASIDE, FLAG, PLAIN, SMALL, WATCH, text_width

#: Beyond this many ordinary points a figure thins them out; all others are always drawn.
MOST_POINTS = 400

#: Kinds of points: `FLAGGED` stands out no further than chance allows, `SAME_POSE` shares the pose
#: of a suspect.
ORDINARY, SUSPECT, SET_ASIDE, SAME_POSE, FLAGGED = range(5)
COLOURS = (PLAIN, FLAG, ASIDE, PLAIN, WATCH)

#: What each kind looks like, in words, and how it is drawn; times the size of an ordinary one.
LOOKS: dict[int, tuple[str, dict[str, Any], float]] = {
    ORDINARY: ("a dot", {"marker": "o", "color": PLAIN, "linewidths": 0}, 1.0),
    SAME_POSE: ("a ring", {"marker": "o", "facecolors": "none", "edgecolors": PLAIN,
                        "linewidths": 0.9, "zorder": 2}, 1.8),
    FLAGGED: ("an open triangle", {"marker": "^", "facecolors": "none", "edgecolors": WATCH,
                                   "linewidths": 1.3, "zorder": 3}, 4.0),
    SUSPECT: ("an open diamond", {"marker": "D", "facecolors": "none", "edgecolors": FLAG,
                                  "linewidths": 1.3, "zorder": 3}, 4.0),
    SET_ASIDE: ("a cross", {"marker": "x", "color": ASIDE, "linewidths": 1.5, "zorder": 3}, 4.0),
}

#: Kinds that carry a number.
NUMBERED = (SUSPECT, FLAGGED, SET_ASIDE)

#: Where a label is tried round its point: directions (beside it first) and distances, points.
_TURNS = np.radians([0, 180, 90, 270, 45, 135, 225, 315])
_AWAY = (6.0, 9.0, 13.0, 18.0, 25.0, 34.0, 46.0, 60.0)

#: How far a label rather goes than to cover a point, points; longer ways have a line.
_RATHER, _LINE = 30.0, 12.0


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


def points(axes: Axes, x: ArrayLike, y: ArrayLike, kind: ArrayLike, size: float = 11.0,
           refs: Sequence[str] | np.ndarray | None = None) -> None:
    """Points, each kind with its own shape and colour (`LOOKS`).

    `kind` may also be a mask of suspects. `refs` are what the points are of: on a screen they are
    links to that row, and the page lights up all points of one shot together.
    """
    x, y, kind = np.asarray(x, float), np.asarray(y, float), np.asarray(kind, int)
    for of, (_, how, times) in LOOKS.items():
        rows = np.flatnonzero(kind == of)
        if len(rows):
            linked(axes.scatter(x[rows], y[rows], s=times * size, **how), refs, rows)


def linked(collection: Collection, refs: Sequence[str] | np.ndarray | None, rows: np.ndarray
           ) -> None:
    """Link each of a collection's parts to what it is of; without `refs` to nothing."""
    if refs is not None:
        collection.set_urls([f"#{refs[i]}" for i in rows])


def label_points(axes: Axes, x: ArrayLike, y: ArrayLike, texts: Sequence[str] | np.ndarray,
                 kind: ArrayLike, most: int = 8, clear_of: ArrayLike = (),
                 room: ArrayLike | None = None) -> None:
    """Write texts beside the points of the `NUMBERED` kinds, the outermost `most`, each text once.

    They keep clear of each other, of all the points given, of places `clear_of`, shape (k, 2), and
    within `room`, (left, bottom, right, top); both in the units of the axes.
    """
    x, y, kind = np.asarray(x, float), np.asarray(y, float), np.asarray(kind, int)
    marked = np.isin(kind, NUMBERED) & np.isfinite(y)
    rows = [i for i in np.argsort(-np.abs(y), kind="stable") if texts[i] and marked[i]]
    first = {texts[i]: i for i in rows[::-1]}
    chosen = sorted(first.values(), key=rows.index)[:most]
    if not chosen:
        return
    point = 72 / axes.figure.dpi
    places = point * axes.transData.transform(np.column_stack([x, y])[np.isfinite(y)])
    others = np.vstack([places, point * axes.transData.transform(np.reshape(clear_of, (-1, 2)))])
    box = point * (axes.transAxes.transform([(0, 0), (1, 1)]) if room is None
                   else axes.transData.transform(np.reshape(room, (2, 2)))).ravel()
    taken = np.empty((0, 4))
    for i in chosen:
        at = point * axes.transData.transform((x[i], y[i]))
        half = np.array([72 * text_width(texts[i]) / 2, 0.55 * SMALL])
        middle = _free_place(at, half, taken, box, others)
        taken = np.vstack([taken, [*(middle - half), *(middle + half)]])
        far = np.hypot(*np.maximum(np.abs(middle - at) - half, 0)) > _LINE
        axes.annotate(
            texts[i], (x[i], y[i]), xytext=middle - at, textcoords="offset points", ha="center",
            va="center", fontsize=SMALL, fontweight="bold", color=COLOURS[kind[i]],
            arrowprops={"arrowstyle": "-", "color": COLOURS[kind[i]], "linewidth": 0.5,
                        "shrinkA": 0, "shrinkB": 4} if far else None)


def _free_place(at, half, taken, room, others):
    """The middle of the nearest free box, half as large as `half`, round a point, points.

    `room` encloses it; of `others`, points that may be covered, it covers few.
    """
    ways = np.column_stack([np.cos(_TURNS), np.sin(_TURNS)])
    away = np.array(_AWAY)[:, None, None]
    middle = (at + ways * (away + half)).reshape(-1, 2)
    low, high = middle - half, middle + half
    covered = np.all((others > low[:, None] - 1.5) & (others < high[:, None] + 1.5), 2).sum(1)
    blocked = np.any(np.all((taken[:, :2] < high[:, None] + 1)
                            & (taken[:, 2:] > low[:, None] - 1), 2), 1)
    outside = np.any(low < room[:2], 1) | np.any(high > room[2:], 1)
    cost = np.repeat(_AWAY, len(_TURNS)) + _RATHER * covered + 1e3 * blocked + 1e4 * outside
    return middle[np.argmin(cost)]


def room_for(values: ArrayLike, flagged: np.ndarray) -> float:
    """Half the height of a panel of residuals: room for all but the further ones of `NUMBERED`."""
    size = np.abs(np.asarray(values, float))
    usual = size[~np.isin(flagged, NUMBERED) & np.isfinite(size)]
    usual = float(usual.max()) if usual.size else float(np.nanmax(size, initial=1.0))
    return max(1.2 * min(float(np.nanmax(size, initial=0.0)), 2.0 * usual), 1.0)
