"""The terminal's summary of a plan, made from its document."""

import numpy as np

from calib.adjust.distributions import TIMES_SD
from calib.document.planned import PlanRecord
from calib.plan.curve import GoalOutOfReach
from calib.report import plan_words
from calib.report.press.terminal import columns, console, text_of
from calib.report.spoken import spoken

#: Minutes at which the curve is told.
_ROUND = (10, 15, 20, 25, 30, 45, 60, 75, 90, 120, 180, 240)

#: So many sources of error are named when a goal is out of reach.
_NAMED = 5


def plan_summary(document: PlanRecord) -> str:
    """What the plan promises and takes for granted, and its poses, at most 100 columns wide."""
    out = console()
    for sentence in document.says:
        out.print(sentence)
    out.print(f"\n{document.reach}")
    out.print(_poses(document))
    if document.curve is not None:
        out.print(_curve(document))
        which = "above" if document.least_minutes is None else "of the least minutes"
        out.print(f"The other rows lose or gain pose after pose, from the plan {which}; one that "
                  "is bettered as a whole gives a little more in the same minutes.")
    out.print("Taken for granted:")
    for sentence in document.assumptions:
        out.print(f"- {sentence}")
    removed = [f"{why}: {n}" for why, n in document.candidates.removed.items() if n]
    if removed:
        out.print(f"- Left out: {'; '.join(removed)}.")
    return text_of(out)


def out_of_reach(error: GoalOutOfReach) -> str:
    """Why a goal cannot be reached: what bounds it."""
    lines = [f"The goal of {plan_words.within(error.goal)} is out of reach: "
             f"{error.minutes:.0f} minutes reach {plan_words.within(error.reached)} (95 %, worst "
             "over the envelope).",
             "What bounds it (the same, were that error gone):"]
    lines += [f"- {spoken(name)}: {plan_words.within(worst)}"
              for name, worst in error.bounds[:_NAMED]]
    return "\n".join(lines)


def _poses(document):
    readings = [plan_words.column(name, unit) for name, unit in document.driven.items()]
    table = columns(("pose", "stand", *readings, "edge up, m", "shoot",
                     *(["come to it"] if document.notes else [])), slice(2, len(readings) + 3),
                    "Poses in driving order, deg")
    for pose in document.poses:
        notes = [plan_words.notes_in_words(pose)] if document.notes else []
        table.add_row(pose.pose, pose.stand, *plan_words.shown_cells(pose, document.driven),
                      plan_words.edge_span(pose), plan_words.shots_in_words(pose.shoot), *notes)
    return table


def _curve(document):
    """What the edge is known to against minutes, at a few of them, and of the plan itself."""
    curve, goal = document.curve, document.goal
    table = columns(("minutes", "poses", "all targets", "edge only", ""), slice(4),
                    "How many minutes: the edge at worst, 95 %, mm")
    minutes, knee, other = curve.minutes, curve.knee, curve.edge_only
    made = document.minutes.total
    rows = [(made, len(document.poses), _shown(document.predicted.worst), "", "the plan above")]
    # One row for the last step within each round number of minutes, and within the least.
    for at in {max(i for i, m in enumerate(minutes) if m <= asked)
               for asked in (*_ROUND, document.least_minutes or 0.0)
               if minutes and minutes[0] <= asked}:
        if minutes[at] == made:  # the plan itself
            continue
        marks = []
        if knee is not None and minutes[at] >= knee > (minutes[at - 1] if at else 0):
            marks.append("it flattens here")
        if goal is not None and TIMES_SD * curve.worst[at] <= goal:
            marks.append("within the goal")
        alone = "" if other is None or not other.minutes or minutes[at] < other.minutes[0] else \
            _shown(float(np.interp(minutes[at], other.minutes, other.worst)))
        rows.append((minutes[at], curve.poses[at], _shown(curve.worst[at]), alone,
                     ", ".join(marks)))
    for spent, poses, *cells in sorted(rows):
        table.add_row(f"{spent:.0f}", str(poses), *cells)
    return table


def _shown(sd):
    """What holds at 95 %, mm, of an sd in m."""
    return f"{1000 * TIMES_SD * sd:.1f}" if plan_words.known(sd) else "not determined"
