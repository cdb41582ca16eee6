"""Each shared quantity run by run, with its band."""

from collections.abc import Sequence

import numpy as np

from calib.adjust.distributions import TIMES_SD
from calib.document.together import Over, TogetherRecord
from calib.report.figures.small_multiples import CellGrid, Plot
from calib.report.figures.style import FAINT, INK, PLAIN, Canvas, short
from calib.report.numbers import SHOWN
from calib.report.spoken import spoken


def over_time(figure: Canvas, document: TogetherRecord, plots: Sequence[Over]) -> None:
    """Change of each quantity against its shared value: bars and band are 95 %."""
    number = {run.name: i + 1 for i, run in enumerate(document.runs)}
    cells = CellGrid(figure, -(-len(plots) // 2), 2, top=0.35, gap=(0.5, 0.65))
    for k, one in enumerate(plots):
        label, factor = SHOWN[one.unit]
        told = [i for i, value in enumerate(one.values) if value is not None]
        x = np.array([number[one.runs[i]] for i in told])
        off = factor * (np.array([one.values[i] for i in told], float) - (one.value or 0.0))
        bar = TIMES_SD * factor * np.array([one.sds[i] for i in told])
        band = TIMES_SD * factor * (one.sd or 0.0)
        reach = 1.15 * max(np.max(np.abs(off) + bar, initial=0.0), band, 1e-6)
        parameter, _, whose = one.name.partition(" of ")
        title = [f"{short(spoken(parameter), 20)}, {label}", short(whose.partition(" ")[2], 20)]
        plot = Plot(cells, *divmod(k, 2), (0.5, len(number) + 0.5), (-reach, reach),
                    "\n".join(filter(None, title)), x_label="run", x_whole=True)
        across, up = plot.place([0.5, len(number) + 0.5], [-band, band])
        cells.axes.fill_between(across, *up, color=FAINT, alpha=0.35, linewidth=0)
        for xi, oi, bi in zip(x, off, bar, strict=True):
            cells.line(*plot.place([xi, xi], [oi - bi, oi + bi]), INK, 1.0)
        cells.axes.scatter(*plot.place(x, off), s=12, color=PLAIN, zorder=3)
    cells.finish()
