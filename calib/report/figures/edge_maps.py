"""Maps over the working envelope: tilt by rotate at each reach, or whatever the rig sweeps."""

import numpy as np
from matplotlib.colors import Normalize

from calib.report.figures.style import INK, PLAIN, SIZES, SMALL, grid
from calib.report.spoken import spoken


def edge_sd(figure, document):
    """Predicted sd of the edge."""
    edge = document.edge
    _maps(figure, edge, edge.sd, "edge sd, mm")


def taped_error(figure, document):
    """What the edge is off by with the taped values entered."""
    setup_error(figure, document.taped.edge)


def setup_error(figure, edge):
    """What the edge is off by with other values entered, from a record of that error."""
    _maps(figure, edge, edge.error, "edge error, mm")


def _maps(figure, envelope, values, what):
    """One map per reach, all on one scale; each cell carries its number where there is room."""
    maps = [1000 * np.array(v, float) for v in values]
    finite = np.concatenate([m[np.isfinite(m)] for m in maps])
    top = max(float(finite.max(initial=0.0)), 1e-3)
    axes = envelope.axes
    panels = grid(figure, len(maps), between=(0.3, 0.42), left=0.7, right=0.9)[:, 0]
    for ax, reach, flat in zip(panels, envelope.reaches, maps, strict=True):
        if len(axes) == 1:
            _line(ax, axes[0], flat, top, what)
        else:
            image = _grid_map(ax, axes, flat, top)
        ax.set_title(f"{reach.name}: {_posture(reach)}")
    panels[-1].set_xlabel(f"{spoken(axes[-1].reading)}, deg")
    if len(axes) > 1:
        bar = figure.colorbar(image, ax=list(panels), pad=0.02, fraction=0.04, aspect=40)
        bar.outline.set_visible(False)
        bar.set_label(f"{what} (n = {len(maps[0])} each, worst of "
                      f"{len(envelope.points)} points)")


def _posture(reach):
    return ", ".join(f"{name} {angle:.0f}" for name, angle in reach.joints.items())


def _line(ax, axis, flat, top, what):
    ax.plot(axis.values, flat, color=PLAIN, marker="o", markersize=4)
    ax.set_ylim(0, 1.1 * top)
    ax.set_ylabel(what)
    ax.set_xlabel(f"{spoken(axis.reading)}, deg (n = {len(flat)})")


def _grid_map(ax, axes, flat, top):
    """The last two axes as a map, the worst over any others."""
    shape = [len(axis.values) for axis in axes]
    cells = flat.reshape(-1, *shape[-2:])
    seen = np.isfinite(cells).any(0)
    field = np.where(seen, np.where(np.isfinite(cells), cells, -np.inf).max(0), np.nan)
    rows, columns = (np.array(axis.values) for axis in axes[-2:])
    image = ax.pcolormesh(_bounds(columns), _bounds(rows), np.ma.masked_invalid(field), cmap=SIZES,
                          norm=Normalize(0, top))
    if field.size <= 200:
        _cell_numbers(ax, rows, columns, field, top)
    few = columns if len(columns) <= 8 else columns[::2]
    ax.set_xticks(few, [f"{v:.0f}" for v in few])
    ax.set_yticks(rows if len(rows) <= 9 else rows[::2],
                  [f"{v:.0f}" for v in (rows if len(rows) <= 9 else rows[::2])])
    ax.set_ylabel(f"{spoken(axes[-2].reading)}, deg")
    ax.grid(visible=False)
    return image


def _cell_numbers(ax, rows, columns, field, top):
    digits = 0 if top >= 10 else 1
    for i, row in enumerate(rows):
        for j, column in enumerate(columns):
            value = field[i, j]
            text = "-" if np.isnan(value) else f"{value:.{digits}f}"
            light = np.isnan(value) or value < 0.55 * top
            ax.text(column, row, text, ha="center", va="center", fontsize=SMALL,
                    color="#000000" if light else "#ffffff")


def _bounds(values):
    """Cell boundaries halfway between the nodes."""
    middle = (values[1:] + values[:-1]) / 2
    return np.concatenate([[2 * values[0] - middle[0]], middle, [2 * values[-1] - middle[-1]]])


def taped_shares(figure, document):
    """What each taped value costs at the edge on its own, the largest first."""
    setup_shares(figure, document.taped.edge)


def setup_shares(figure, edge, most: int = 12):
    """What each wrong value costs at the edge on its own, the largest first."""
    shares = edge.shares[:most]
    ax = grid(figure, left=1.5)[0, 0]
    y = np.arange(len(shares))[::-1]
    alone = np.array([1000 * s.alone for s in shares])
    ax.barh(y, alone, height=0.5, color=PLAIN, alpha=0.85)
    for yi, value, share in zip(y, alone, shares, strict=True):
        ax.annotate(f"{100 * share.share:.0f} %", (value, yi), xytext=(5, 0),
                    textcoords="offset points", va="center", fontsize=SMALL, color=INK)
    ax.set_yticks(y, [spoken(s.name) for s in shares])
    ax.set_xlim(0, 1.2 * alone.max(initial=1e-3))
    ax.set_ylim(-0.7, len(shares) - 0.3)
    ax.set_xlabel("edge error by it alone, mm (rms)")
    ax.set_title(f"and share of the mean square (n = {len(edge.shares)})")
