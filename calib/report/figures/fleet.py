"""Distributions over a fleet: each parameter against its tape, and how well runs fit."""

from collections.abc import Sequence

import numpy as np
from matplotlib.ticker import MaxNLocator

from calib.document.fleet import FleetParameter, FleetRecord
from calib.report.figures.small_multiples import CellGrid, Plot
from calib.report.figures.style import INK, PLAIN, Canvas, grid, short
from calib.report.numbers import SHOWN
from calib.report.spoken import spoken


def against_tape(figure: Canvas, document: FleetRecord, plots: Sequence[FleetParameter]) -> None:
    """Histograms of solved less taped."""
    shown = [(p, p.differences) for p in plots if p.differences is not None]
    cells = CellGrid(figure, -(-len(plots) // 2), 2, top=0.35, gap=(0.5, 0.6))
    for k, (p, bars) in enumerate(shown):
        label, factor = SHOWN[p.unit]
        edges, counts = factor * np.array(bars.edges), bars.counts
        plot = Plot(cells, *divmod(k, 2), (edges[0], edges[-1]), (0, 1.1 * max(counts)),
                    short(spoken(p.name), 24), x_label=f"{label}, n = {p.taped}", y_whole=True)
        for left, right, count in zip(edges, edges[1:], counts, strict=False):
            x, y = plot.place([left, right], [0, count])
            cells.axes.fill_between(x, y[0], y[1], color=PLAIN, alpha=0.85, linewidth=0)
        if edges[0] < 0 < edges[-1]:
            cells.line(*plot.place([0, 0], [0, 1.1 * max(counts)]), INK, 1.0)
    cells.finish()


def misfits(figure: Canvas, document: FleetRecord) -> None:
    """Histogram of variance factors, by their logarithm."""
    found, axes = document.variance_factors, grid(figure)[0, 0]
    assert found is not None  # else the page has no such figure
    edges = np.array(found.edges)
    axes.bar(edges[:-1], found.counts, np.diff(edges), align="edge", color=PLAIN, alpha=0.85)
    axes.axvline(0, color=INK, linewidth=1.0)
    axes.yaxis.set_major_locator(MaxNLocator(5, integer=True))
    axes.set_xlabel("variance factor, logarithm to base 10 (0: as stated)")
    axes.set_ylabel("runs")
    axes.set_title(f"n = {sum(found.counts) + found.below + found.above}; "
                   f"{found.below} further left, {found.above} further right")
