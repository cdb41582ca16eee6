"""The terminal's summary of a plan, made from its document."""

import io

import numpy as np
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from calib.plan.curve import GoalOutOfReach
from calib.report.plan_words import edge_span, mm, shots_in_words

WIDTH = 100

#: Minutes at which the curve is told.
_ROUND = (10, 15, 20, 25, 30, 45, 60, 75, 90, 120, 180, 240)

#: So many sources of error are named when a goal is out of reach.
_NAMED = 5


def plan_summary(document: dict) -> str:
    """What the plan promises and takes for granted, and its poses, at most 100 columns wide."""
    out = Console(file=io.StringIO(), width=WIDTH, no_color=True, highlight=False, markup=False)
    for sentence in document["says"]:
        out.print(sentence)
    out.print(f"\n{document['reach']}")
    out.print(_poses(document))
    if document["curve"] is not None:
        out.print(_curve(document))
    out.print("Taken for granted:")
    for sentence in document["assumptions"]:
        out.print(f"- {sentence}")
    removed = [f"{why}: {n}" for why, n in document["candidates"]["removed"].items() if n]
    if removed:
        out.print(f"- Left out: {'; '.join(removed)}.")
    return "\n".join(line.rstrip() for line in out.file.getvalue().splitlines()) + "\n"


def out_of_reach(error: GoalOutOfReach) -> str:
    """Why a goal cannot be reached: what bounds it."""
    lines = [str(error), "What bounds it (worst edge sd, were that error gone):"]
    lines += [f"- {name}: {mm(worst)}" for name, worst in error.bounds[:_NAMED]]
    return "\n".join(lines)


def _poses(document):
    table = Table(box=SIMPLE_HEAD, pad_edge=False, title="Poses in driving order, deg",
                  title_justify="left")
    table.add_column("pose", no_wrap=True)
    table.add_column("stand")
    driven = [r["name"] for r in document["readings"] if r["driven"]]
    for name in driven:
        table.add_column(name, justify="right")
    table.add_column("edge up, m", justify="right")
    table.add_column("shoot")
    for pose in document["poses"]:
        table.add_row(pose["pose"], pose["stand"],
                      *(f"{pose['readings'][name]:.1f}" for name in driven), edge_span(pose),
                      shots_in_words(pose["shoot"]))
    return table


def _curve(document):
    """Edge sd against minutes, at a few of them."""
    curve = document["curve"]
    table = Table(box=SIMPLE_HEAD, pad_edge=False, title="How many minutes: worst edge sd in mm",
                  title_justify="left")
    for heading in ("minutes", "poses", "all targets", "edge only", ""):
        table.add_column(heading, justify="left" if not heading else "right")
    minutes, goal, knee = curve["minutes"], document["goal"], curve["knee"]
    # One row for the last step within each round number of minutes.
    rows = {max(i for i, m in enumerate(minutes) if m <= asked)
            for asked in _ROUND if minutes and minutes[0] <= asked}
    for at in sorted(rows):
        other, marks = curve["edge_only"], []
        if knee is not None and minutes[at] >= knee > (minutes[at - 1] if at else 0):
            marks.append("it flattens here")
        if goal is not None and curve["worst"][at] <= goal:
            marks.append("within the goal")
        alone = "" if other is None or not other["minutes"] or (
            minutes[at] < other["minutes"][0]) else \
            f"{1000 * np.interp(minutes[at], other['minutes'], other['worst']):.1f}"
        table.add_row(f"{minutes[at]:.0f}", str(curve["poses"][at]),
                      f"{1000 * curve['worst'][at]:.1f}", alone, ", ".join(marks))
    return table
