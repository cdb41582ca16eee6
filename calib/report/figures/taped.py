"""Solved against taped: the corrections to the taped machine with what is left uncertain."""

import numpy as np
from matplotlib.ticker import MaxNLocator

from calib.adjust.distributions import TIMES_SD
from calib.document.record import ResultRecord
from calib.report.figures.style import FAINT, INK, PLAIN, Canvas, grid, named_rows
from calib.report.spoken import spoken

#: Unit, as it is shown, factor, word.
_KINDS = (("m", "mm", 1000.0, "lengths"), ("deg", "deg", 1.0, "angles"))


def _panels(document):
    """Rows, unit shown, factor and word of each kind of quantity that was taped and solved."""
    rows = [p for p in document.parameters if p.tape is not None and p.sd is not None]
    panels = [([p for p in rows if p.unit == unit], *how) for unit, *how in _KINDS]
    return [panel for panel in panels if panel[0]] or panels


def height(document: ResultRecord) -> float:
    """Of the panels one above the other, inches."""
    return sum(1.1 + 0.19 * len(rows) for rows, *_ in _panels(document))


def solved_against_taped(figure: Canvas, document: ResultRecord) -> None:
    """Solved less taped per parameter: bars are 95 % of the solved, bands 95 % of the tape."""
    panels, narrow = _panels(document), figure.bbox.width < 6 * figure.dpi
    axes = grid(figure, len(panels), left=1.5, top=0.3, bottom=0.65,
                between=(0.3, 0.95))[:, 0] if narrow else \
        grid(figure, 1, len(panels), left=1.65, between=(1.45, 0.3))[0]
    for ax, (rows, shown, factor, word) in zip(axes, panels, strict=True):
        y = named_rows(ax, [spoken(row.name) for row in rows])
        bands = TIMES_SD * factor * np.array([row.tape_sd for row in rows])
        ax.barh(y, 2 * bands, left=-bands, height=0.62, color=FAINT, alpha=0.35)
        difference = factor * np.array([row.difference for row in rows])
        half = factor * np.array([row.high95 - row.value for row in rows])
        ax.errorbar(difference, y, xerr=half, fmt="o", color=PLAIN, markersize=4.5, capsize=3,
                    linewidth=1.4)
        reach = 1.08 * np.concatenate([bands, np.abs(difference) + half]).max(initial=1e-6)
        ax.set_xlim(-reach, reach)
        ax.axvline(0, color=INK, linewidth=0.8)
        ax.xaxis.set_major_locator(MaxNLocator(6))
        ax.set_xlabel(f"solved less taped, {shown}\nbar: 95 %; band: 95 % of the tape")
        ax.set_title(f"{word.capitalize()} (n = {len(rows)})")
