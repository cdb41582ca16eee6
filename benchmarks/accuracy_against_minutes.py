"""The README's plot: how well the edge is known against minutes in the field.

Plans for the standard rig with the edge never above 2 m: everything that can be shot, and the edge
alone; growing plans as curves, plans that were bettered as a whole as points. Run:
``python benchmarks/accuracy_against_minutes.py reports/accuracy-against-minutes.png``.
"""

import sys
import tomllib

import matplotlib.pyplot as plt
import numpy as np

from calib.adjust.distributions import TIMES_SD
from calib.chain.rig import rig_from_dict
from calib.cli.simulate import STANDARD_RIG
from calib.plan.bound import least_variance
from calib.plan.budget import Design, shortlisted, swapped
from calib.plan.curve import curve
from calib.plan.exchange import variance_gain
from calib.plan.plan import make_plan
from calib.plan.task import Task, prepare

#: Rounds of re-weighting the envelope for the bound on the worst.
ROUNDS = 20

MINUTES, MOST = (15.0, 25.0, 35.0, 45.0, 60.0), 75.0


def least_worst(plan):
    """No choice of the bundles in as many minutes has a worst edge sd below this, mm.

    The worst variance is at least every weighted mean of the variances over the envelope, and of
    that the equivalence theorem has a bound; weights grow where the plan's sd is large.
    """
    prepared, pool = plan.prepared, plan.prepared.pool(plan.stands)
    nodes, design = prepared.by_parameters, Design(tuple(plan.design), tuple(plan.stand))
    weights, best = np.ones(len(nodes)), 0.0
    for _ in range(ROUNDS):
        form = np.einsum("n,nci,ncj->ij", weights / weights.mean(), nodes, nodes) / len(nodes)
        best = max(best, least_variance(pool, plan.design, plan.stand, form))
        gain = variance_gain(form)
        other = swapped(pool, design, gain, design.minutes(pool),
                        shortlisted(pool, design, gain, 600), passes=2)
        sds = prepared.edge_sds(other.information(pool))
        weights = weights * (sds / sds.max()) ** 8
    return 1000 * np.sqrt(best)


def main():
    rig = rig_from_dict(tomllib.loads(STANDARD_RIG))
    everything = prepare(Task.for_rig(rig))
    edge = prepare(Task.for_rig(rig, targets=["edge_left", "edge_right"]))
    figure, ax = plt.subplots(figsize=(6.4, 3.4), layout="constrained")
    for prepared, label, colour in ((edge, "both corners of the edge", "#b5480f"),
                                    (everything, "edge and pins", "#0a5f86")):
        grown = curve(prepared, most=MOST)
        ax.plot(grown.minutes, 1000 * TIMES_SD * grown.worst, color=colour, label=label)
        for minutes in MINUTES:
            plan = make_plan(prepared, minutes=minutes)
            total, sd = plan.minutes.total, 1000 * plan.edge_sd.max()
            worst = TIMES_SD * sd
            print(f"{label}: {total:.1f} min, {len(plan.design)} poses, {worst:.2f} mm at 95 % "
                  f"(1 sd {sd:.2f} mm; no choice less than {least_worst(plan):.2f} mm), mean "
                  f"variance at least {100 * plan.efficiency:.0f} % of the best", flush=True)
            ax.plot(total, worst, "D", color=colour, markersize=5)
            ax.annotate(f"{worst:.1f}", (total, worst), (0, 6), textcoords="offset points",
                        ha="center", fontsize=8)
    ax.set(xlim=(0, MOST), ylim=(0, 27), xlabel="minutes in the field",
           ylabel="edge known to, at worst (mm, 95 %)")
    ax.grid(color="#d5dadd", linewidth=0.6)
    ax.legend(frameon=False)
    figure.savefig(sys.argv[1], dpi=110)


if __name__ == "__main__":
    main()
