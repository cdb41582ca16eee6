"""Maps over the working envelope: tilt by rotate at each reach, or whatever the rig sweeps."""

from textwrap import fill

import numpy as np
from matplotlib.colors import Normalize

from calib.document.edge import Envelope, SetupError
from calib.document.record import ResultRecord
from calib.report.figures.style import INK, PLAIN, SIZES, SMALL, Canvas, grid, named_rows
from calib.report.spoken import spoken


def height(envelope: Envelope) -> float:
    """Of the maps, or of the one plot of lines, inches."""
    reaches = len(envelope.reaches)
    return 2.7 + 0.17 * reaches if len(envelope.axes) == 1 else 0.95 + 1.55 * reaches


def edge_sd(figure: Canvas, document: ResultRecord) -> None:
    """Predicted sd of the edge."""
    edge = document.edge
    _maps(figure, edge, edge.sd, "edge sd, mm")


def setup_error(figure: Canvas, edge: SetupError) -> None:
    """What the edge is off by with other values entered, from a record of that error."""
    _maps(figure, edge, edge.error, "edge error, mm")


#: Cells of a map with more have no room for their numbers.
_NUMBERED = 200

#: What tells the reaches apart where each is a line.
_LINES = (("o", "-"), ("s", (0, (5, 2))), ("^", (0, (2, 1.5))), ("D", "-."), ("v", ":"))


def _maps(figure, envelope, values, what):
    """A map per reach, all on one scale; or a line per reach where the rig sweeps one joint."""
    maps = [1000 * np.array(v, float) for v in values]
    finite = np.concatenate([m[np.isfinite(m)] for m in maps])
    top = max(float(finite.max(initial=0.0)), 1e-3)
    n = f"n = {len(maps[0])} each, worst of {len(envelope.points)} points"
    if len(envelope.axes) == 1:
        _line_per_reach(figure, envelope, maps, top, (what, n))
        return
    titles = [fill(f"{reach.name}: {_posture(reach)}", 52) for reach in envelope.reaches]
    lines = 1 + max(title.count("\n") for title in titles)
    panels = grid(figure, len(maps), between=(0.3, 0.28 + 0.15 * lines), left=0.55,
                  top=0.32 + 0.15 * lines)[:, 0]
    numbered = [_grid_map(ax, envelope.axes, flat, top)
                for ax, flat in zip(panels, maps, strict=True)]
    for ax, title in zip(panels, titles, strict=True):
        ax.set_title(title)
    panels[-1].set_xlabel(f"{spoken(envelope.axes[-1].reading)}, deg")
    scale = "" if all(numbered) else f"; dark: {top:.3g} mm, light: 0"
    height = figure.bbox.height / figure.dpi
    figure.text(0.05 * 72 / figure.bbox.width, 1 - 0.17 / height, f"{what}, {n}{scale}", fontsize=9)


def _posture(reach):
    return ", ".join(f"{spoken(name)} {angle:.0f}" for name, angle in reach.joints.items())


def _line_per_reach(figure, envelope, maps, top, words):
    """All reaches in one plot, with what each line is above it."""
    (axis,), (what, n) = envelope.axes, words
    ax = grid(figure, left=0.55, top=0.35 + 0.17 * len(maps), bottom=0.45)[0, 0]
    for k, (reach, flat) in enumerate(zip(envelope.reaches, maps, strict=True)):
        marker, dashes = _LINES[k % len(_LINES)]
        ax.plot(axis.values, flat, color=PLAIN, marker=marker, markersize=4, linestyle=dashes,
                label=f"{reach.name}: {_posture(reach)}")
    ax.set_ylim(0, 1.1 * top)
    ax.set_ylabel("mm")
    ax.set_xlabel(f"{spoken(axis.reading)}, deg")
    height = figure.bbox.height / figure.dpi
    figure.text(0.05 * 72 / figure.bbox.width, 1 - 0.17 / height, f"{what}, {n}", fontsize=9)
    figure.legend(loc="upper left", bbox_to_anchor=(0.0, 1 - 0.22 / height), labelspacing=0.15,
                  borderaxespad=0.1, handlelength=3)


def _grid_map(ax, axes, flat, top):
    """The last two axes as a map, the worst over any others; whether its numbers are written."""
    shape = [len(axis.values) for axis in axes]
    cells = flat.reshape(-1, *shape[-2:])
    seen = np.isfinite(cells).any(0)
    field = np.where(seen, np.where(np.isfinite(cells), cells, -np.inf).max(0), np.nan)
    rows, columns = (np.array(axis.values) for axis in axes[-2:])
    ax.pcolormesh(columns, rows, np.ma.masked_invalid(field), shading="nearest", cmap=SIZES,
                  norm=Normalize(0, top))
    numbered = field.size <= _NUMBERED
    if numbered:
        _cell_numbers(ax, rows, columns, field, top)
    few = columns if len(columns) <= 8 else columns[::2]
    ax.set_xticks(few, [f"{v:.0f}" for v in few])
    ax.set_yticks(rows if len(rows) <= 9 else rows[::2],
                  [f"{v:.0f}" for v in (rows if len(rows) <= 9 else rows[::2])])
    ax.set_ylabel(f"{spoken(axes[-2].reading)}, deg")
    ax.grid(visible=False)
    return numbered


def _cell_numbers(ax, rows, columns, field, top):
    digits = 0 if top >= 10 else 1
    for i, row in enumerate(rows):
        for j, column in enumerate(columns):
            value = field[i, j]
            text = "-" if np.isnan(value) else f"{value:.{digits}f}"
            light = np.isnan(value) or value < 0.55 * top
            ax.text(column, row, text, ha="center", va="center", fontsize=SMALL,
                    color="#000000" if light else "#ffffff")


def setup_shares(figure: Canvas, edge: SetupError, most: int = 12) -> None:
    """What each wrong value costs at the edge on its own, the largest first."""
    shares = edge.shares[:most]
    ax = grid(figure, left=1.5)[0, 0]
    y = named_rows(ax, [spoken(s.name) for s in shares])
    alone = 1000 * np.array([s.alone for s in shares], float)
    ax.barh(y, alone, height=0.5, color=PLAIN, alpha=0.85)
    for yi, value, share in zip(y, alone, shares, strict=True):
        ax.annotate(f"{round(100 * (share.share or 0.0))} %", (value, yi), xytext=(5, 0),
                    textcoords="offset points", va="center", fontsize=SMALL, color=INK)
    ax.set_xlim(0, 1.2 * alone.max(initial=1e-3))
    ax.set_xlabel("edge error by it alone, mm (rms)")
    ax.set_title(f"and share of the mean square (n = {len(edge.shares)})")
