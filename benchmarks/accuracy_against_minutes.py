"""The README's plot: how well the edge is known against minutes in the field.

Plans for the standard rig with the edge never above 2 m: everything that can be shot, and the edge
alone; growing plans as curves, plans that were bettered as a whole as points. Run:
``python benchmarks/accuracy_against_minutes.py reports/accuracy-against-minutes.png``.
"""

import sys
import tomllib

import matplotlib.pyplot as plt

from calib.chain.rig import rig_from_dict
from calib.cli.simulate import STANDARD_RIG
from calib.plan.curve import curve
from calib.plan.plan import make_plan
from calib.plan.task import Task, prepare

MINUTES, MOST = (15.0, 25.0, 35.0, 45.0, 60.0), 75.0


def main():
    rig = rig_from_dict(tomllib.loads(STANDARD_RIG))
    everything = prepare(Task.for_rig(rig))
    edge = prepare(Task.for_rig(rig, targets=["edge_left", "edge_right"]))
    figure, ax = plt.subplots(figsize=(6.4, 3.4), layout="constrained")
    for prepared, label, colour in ((edge, "both corners of the edge", "#b5480f"),
                                    (everything, "edge and pins", "#0a5f86")):
        grown = curve(prepared, most=MOST)
        ax.plot(grown.minutes, 1000 * grown.worst, color=colour, label=label)
        for minutes in MINUTES:
            plan = make_plan(prepared, minutes=minutes)
            total, worst = plan.minutes.total, 1000 * plan.edge_sd.max()
            print(f"{label}: {total:.1f} min, {len(plan.design)} poses, {worst:.2f} mm, at least "
                  f"{100 * plan.efficiency:.0f} % of the best", flush=True)
            ax.plot(total, worst, "D", color=colour, markersize=5)
            ax.annotate(f"{worst:.1f}", (total, worst), (0, 6), textcoords="offset points",
                        ha="center", fontsize=8)
    ax.set(xlim=(0, MOST), ylim=(0, 14), xlabel="minutes in the field",
           ylabel="worst edge sd over the envelope (mm)")
    ax.grid(color="#d5dadd", linewidth=0.6)
    ax.legend(frameon=False)
    figure.savefig(sys.argv[1], dpi=110)


if __name__ == "__main__":
    main()
