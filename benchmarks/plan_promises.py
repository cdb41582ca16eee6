"""Does the edge come out as well as a plan promises?

For every shipped rig: the tool's own plan of 25 and of 45 minutes, edge never above 2 m, then 300
invented machines with known truth, each shot as planned and solved; the root mean square of the
edge's error over the envelope and the machines, against the promised. Run:
``python benchmarks/plan_promises.py [MACHINES] [RIG ...]``.
"""

import sys
import tomllib

import numpy as np

from calib.calibration import solve
from calib.chain.rig import rig_from_dict, template_names
from calib.cli.simulate import STANDARD_RIG
from calib.edge import envelope_edge
from calib.plan.plan import make_plan
from calib.plan.rehearsal import rehearsed
from calib.plan.task import Task, prepare


def machine(name):
    """A shipped rig with the standard rig's sds where it has the sensor, else 0.05 deg."""
    standard = tomllib.loads(STANDARD_RIG)
    readings = rig_from_dict({"template": name}).reading_names
    return rig_from_dict({"template": name, "shots": standard["shots"], "readings": {
        "sd": {r: standard["readings"]["sd"].get(r, 0.05) for r in readings}}})


def edge_rms(plan, rng):
    """Root mean square error of the solved edge over the envelope, m."""
    run, truth = rehearsed(plan, rng)
    solution = solve(run)
    nodes = envelope_edge(run.rig, truth.parameters)
    error = nodes.error(solution.parameters)[nodes.seen]
    return np.sqrt(np.mean(np.sum(error**2, axis=2)))


def main():
    machines = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    print("rig                           minutes  worst  rms promised  rms of truth  ratio  bound",
          flush=True)
    for name in sys.argv[2:] or template_names():
        prepared = prepare(Task.for_rig(machine(name)))
        for minutes in (25.0, 45.0):
            plan = make_plan(prepared, minutes=minutes)
            promised = 1000 * np.sqrt(np.mean(plan.edge_sd**2))
            rms = 1000 * np.sqrt(np.mean([edge_rms(plan, np.random.default_rng((7, k))) ** 2
                                          for k in range(machines)]))
            print(f"{name:28}  {plan.minutes.total:7.1f}  {1000 * plan.edge_sd.max():5.2f}  "
                  f"{promised:12.2f}  {rms:12.2f}  {rms / promised:5.3f}  "
                  f"{promised * plan.efficiency**0.5:5.2f}", flush=True)


if __name__ == "__main__":
    main()
