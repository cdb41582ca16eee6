"""The plot of the table: how many times calib's time the others take, and how time grows."""

from pathlib import Path

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from calib.report.figures.style import FAINT, FLAG, INK, PAPER, PLAIN, pen

_MARKS = {"solve": ("o", PLAIN), "judge": ("s", FLAG), "report": ("D", INK), "plan": ("^", FAINT)}


def plot(found, path: Path):
    """Write it; `found` is (times by name, ratios by solver)."""
    times, ratios = found
    with pen():
        figure = Figure(figsize=(9.5, 3.8), dpi=130)
        FigureCanvasAgg(figure)
        left, right = figure.subplots(1, 2, gridspec_kw={
            "left": 0.2, "right": 0.98, "bottom": 0.15, "top": 0.9, "wspace": 0.25})
        own = ratios["calib"][0]
        known = {name: t / own for name, (t, _) in ratios.items() if t is not None}
        bars = left.barh(list(known)[::-1], list(known.values())[::-1], color=PLAIN)
        left.bar_label(bars, fmt="%.3g", padding=3)
        left.set(xscale="log", xlim=(0.7, 3 * max(known.values())),
                 title="Time over calib's, 30 poses")
        for name, (sizes, taken) in times.items():
            marker, colour = _MARKS[name]
            right.plot(sizes, taken, marker=marker, color=colour, markersize=4, label=name)
        sizes, taken = times["solve"]
        right.plot(sizes, [taken[-1] * n / sizes[-1] for n in sizes], color=FAINT,
                   linestyle=(0, (5, 3)), label="in proportion")
        right.set(xscale="log", yscale="log", title="Processor seconds",
                  xlabel="poses (plan: candidates)")
        right.legend()
        for axis in (left.xaxis, right.xaxis, right.yaxis):
            axis.set_major_formatter("{x:g}")  # the style shows no powers
        figure.savefig(path, facecolor=PAPER, metadata={"Software": None})
