"""How long does planning take, and how much memory?

45 minutes from 20,000 candidates for the standard rig, and the best three further poses of a run of
12, each in a process of its own. Run: ``python benchmarks/plan_benchmark.py``.
"""

import resource
import subprocess
import sys
import time
import tomllib

import numpy as np

from calib.calibration import solve
from calib.chain.rig import rig_from_dict
from calib.cli.simulate import STANDARD_RIG
from calib.plan.further import further_poses
from calib.plan.plan import make_plan
from calib.plan.task import Task, prepare
from calib.simulate import simulate


def plan(rig):
    """The worst edge sd of a plan, as the sign of an honest one."""
    made = make_plan(prepare(Task.for_rig(rig)), minutes=45.0)
    return f"worst edge sd {1000 * made.edge_sd.max():.2f} mm"


def further(rig):
    """From a run in memory to advice."""
    run, _ = simulate(rig, np.random.default_rng(0), poses=12)
    solution = solve(run)
    task = Task.for_rig(rig, run.tape, parameters=solution.parameters)
    found = further_poses(prepare(task), solution.problem, solution.adjustment.parameters, 3)
    return "worst edge sd " + " ".join(f"{1000 * worst:.2f}" for worst in found.worst) + " mm"


JOBS = {"45 minutes from 20,000 candidates": plan, "3 further poses": further}


def main():
    if len(sys.argv) == 1:
        for job in JOBS:
            subprocess.run([sys.executable, __file__, job], check=True)
        return
    rig = rig_from_dict(tomllib.loads(STANDARD_RIG))
    wall, processor = time.perf_counter(), time.process_time()
    says = JOBS[sys.argv[1]](rig)
    wall, processor = time.perf_counter() - wall, time.process_time() - processor
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{sys.argv[1]}: {wall:.2f} s ({processor:.2f} s of the processor), peak memory "
          f"{peak:.0f} MB, {says}")


if __name__ == "__main__":
    main()
