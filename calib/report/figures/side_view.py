"""A machine that nobody has solved yet, from its right side: in a terminal and as a picture.

Every length that shows in this view has a number in the drawing and a line below it that says what
it is; the width of the edge, which does not show, has a line without one.
"""

import io
from collections.abc import Collection

import numpy as np

from calib.chain.rig import Rig
from calib.report.figures.style import FLAG, INK, PLAIN
from calib.report.figures.views import drawing_posture, skeleton

WIDTH, HEIGHT = 72, 22
"""Of the drawing in a terminal, characters; a character is twice as high as wide."""

_BESIDE = 8
"""Characters to the right of a line within which its number may stand."""

_FROM_MIDDLE = (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.1, 0.9)
"""Shares of a length where its number may stand, the best first."""

_SHOWS = 0.5
"""Share of a length along the drawing from which it shows there."""


def machine_drawing(rig: Rig) -> tuple[list[np.ndarray], list[tuple[str, np.ndarray]]]:
    """The lines of the drawing, and the lengths that show in it with their middles.

    Returns
    -------
    list of ndarray, shape (2, 2)
        Ends of each line, forward and up, m; the last is the edge.
    list of (str, ndarray of shape (2, 2))
        Name of a parameter and the line that it is the length of.
    """
    parameters = np.array([p.start for p in rig.parameters])
    bones = skeleton(rig, parameters, rig.chain.readings_for(parameters, drawing_posture(rig)))
    flat = bones.origins[:, [0, 2]]
    lines = [flat[i:i + 2] for i in range(len(flat) - 1)]
    shown: list[tuple[str, np.ndarray]] = []
    for i, name in enumerate(bones.names):
        size = np.linalg.norm(bones.origins[i + 1] - bones.origins[i])
        drawn = np.linalg.norm(flat[i + 1] - flat[i])
        once = name not in [other for other, _ in shown]
        if name and once and not bones.turns[i] and drawn > 1e-6 and drawn > _SHOWS * size:
            shown.append((name, flat[i:i + 2]))
    return [*lines, bones.edge[[0, -1]][:, [0, 2]]], shown


def machine_legend(rig: Rig, taped: Collection[str] | None = None) -> list[str]:
    """A line for each numbered length: name, value, what it is.

    With what was `taped` it says of the others that nobody measured them.
    """
    by_name = {p.name: p for p in rig.parameters}
    _, shown = machine_drawing(rig)
    numbered = [*enumerate((name for name, _ in shown), 1),
                *(("-", name) for name in by_name if name == "edge_width")]
    return [f"{n}  {name} {by_name[name].start:.3f} m: {by_name[name].means}"
            + ("" if taped is None or name in taped else " (from the template, not measured)")
            for n, name in numbered]


def machine_in_characters(rig: Rig, taped: Collection[str] | None = None) -> str:
    """The machine as text, at most `WIDTH` wide, the lengths numbered, and the legend."""
    lines, shown = machine_drawing(rig)
    ends = np.vstack(lines)
    low, size = ends.min(0), np.ptp(ends, axis=0)
    scale = min((WIDTH - 1) / max(size[0], 1e-9), 2.0 * (HEIGHT - 1) / max(size[1], 1e-9))
    rows = int(size[1] * scale / 2.0) + 1
    canvas = [[" "] * (WIDTH + _BESIDE) for _ in range(rows)]

    def cell(point):
        across, up = (np.asarray(point) - low) * scale
        return rows - 1 - int(up / 2.0), min(int(across), WIDTH - 1)

    for k, (start, end) in enumerate(lines):
        for share in np.linspace(0.0, 1.0, 4 * WIDTH):
            row, column = cell(start + share * (end - start))
            canvas[row][column] = "=" if k == len(lines) - 1 else "."
    taken: set[tuple[int, int]] = set()
    # The shortest first: they have the least room.
    for number, (_, at) in sorted(enumerate(shown, 1),
                                  key=lambda one: float(np.linalg.norm(np.ptp(one[1][1], 0)))):
        row, column = _apart([cell(at[0] + share * (at[1] - at[0])) for share in _FROM_MIDDLE],
                             taken)
        taken.add((row, column))
        canvas[row][column] = str(number)
    drawn = "\n".join("".join(row).rstrip() for row in canvas)
    return f"{drawn}\n\n" + "\n".join(machine_legend(rig, taped)) + "\n"


def _apart(along, taken):
    """The cell for a number: on its line, if need be at the right of it, no other number beside."""
    beside = [(row, column + right) for right in range(2, _BESIDE) for row, column in along]
    return next((place for place in (*along, *beside) if not any(
        abs(place[0] - row) < 2 and abs(place[1] - column) < 3 for row, column in taken)), along[0])


def machine_png(rig: Rig, taped: Collection[str] | None = None) -> bytes:
    """The same as a picture, PNG."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    lines, shown = machine_drawing(rig)
    figure = Figure(figsize=(9, 6.5), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    for line in lines[:-1]:
        axes.plot(*line.T, color=INK, linewidth=2.5, solid_capstyle="round")
    axes.plot(*lines[0][0], color=INK, marker="s", markersize=8)
    axes.plot(*lines[-1].T, color=FLAG, linewidth=4, marker="o", markersize=6)
    size = np.ptp(np.vstack(lines), axis=0).max()
    taken: list[np.ndarray] = []
    for number, (_, at) in enumerate(shown, 1):
        forward, up = at[1] - at[0]
        across = np.array([-up, forward]) / np.hypot(forward, up)
        # On the other side of its line where a number stands close by.
        place = at.mean(0) + 0.025 * size * across
        side = -1 if any(np.hypot(*(place - other)) < 0.04 * size for other in taken) else 1
        taken.append(at.mean(0) + side * 0.025 * size * across)
        axes.annotate(str(number), at.mean(0), side * 14 * across, textcoords="offset points",
                      color=PLAIN, fontsize=11, ha="center", va="center", arrowprops={
                          "arrowstyle": "-", "color": PLAIN, "linewidth": 0.7})
    axes.set_aspect("equal")
    axes.set_axis_off()
    axes.set_title(f"{rig.title}, from its right side", parse_math=False)
    axes.text(0.0, -0.02, "\n".join(machine_legend(rig, taped)), transform=axes.transAxes, va="top",
              fontsize=9, parse_math=False)
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=110, metadata={"Software": None}, bbox_inches="tight",
                   pad_inches=0.15)
    return out.getvalue()
