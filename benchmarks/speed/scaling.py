"""How time grows with the poses of a run, and of a plan with its candidates."""

import numpy as np

from benchmarks.speed.measure import RIG, a_run, median, seconds, whole
from calib import plan
from calib.judge.choice import solve_as_chosen
from calib.judge.judgement import judge
from calib.report.pages.report import report_files
from calib.report.record import result_document

#: Poses of a run, and candidates of a plan, which begins later.
SIZES = (30, 100, 300, 1000, 3000, 10_000, 30_000)
_LEAST_PLAN = 300


def scaling(sizes=SIZES, parts=("solve", "judge", "report", "plan")):
    """Name to sizes and processor seconds; and the length of the report's page in MB by size."""
    times, length = {name: ([], []) for name in parts}, {}

    def took(name, size, call):
        if name in parts:
            times[name][0].append(size)
            times[name][1].append(median(call, 3) if size <= 300 else seconds(call))

    for size in sizes:
        run = a_run(size)
        took("solve", size, lambda run=run: whole(run))
        chosen = solve_as_chosen(run, "none")
        took("judge", size, lambda chosen=chosen: _judged(chosen.solution))
        if size >= _LEAST_PLAN:
            took("plan", size, lambda size=size: _planned(size))
        if "report" in parts:
            judged = _judged(chosen.solution)
            took("report", size, lambda chosen=chosen, judged=judged: length.update(
                {len(chosen.solution.run.poses.ids): _page(chosen, judged)}))
    return times, length


def _judged(solution):
    """Judged, with what is left until somebody asks."""
    judgement = judge(solution)
    for left in ("gates", "noise"):
        getattr(judgement, left)
    return judgement


def _page(chosen, judged):
    return len(report_files(result_document(chosen, judged))["report.html"]) / 1e6


def _planned(candidates):
    """Twelve poses out of so many."""
    prepared = plan.prepare(plan.Task.for_rig(RIG, count=candidates))
    return plan.make_plan(prepared, poses=12)


def exponent(sizes, values, least=0):
    """Slope of log time over log size, of sizes of at least so many."""
    sizes, values = np.array(sizes, float), np.array(values)
    used = sizes >= least
    return float(np.polyfit(np.log(sizes[used]), np.log(values[used]), 1)[0])
