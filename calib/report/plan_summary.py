"""The terminal's summary of a plan, made from its document."""

import io

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from calib.plan.curve import GoalOutOfReach
from calib.report.plan_words import edge_span, mm

WIDTH = 100

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
    table.add_column("edge above ground, m", justify="right")
    for pose in document["poses"]:
        table.add_row(pose["pose"], pose["stand"],
                      *(f"{pose['readings'][name]:.1f}" for name in driven), edge_span(pose))
    return table


def _curve(document):
    """Edge sd against the number of poses, at a few numbers."""
    curve, count = document["curve"], len(document["poses"])
    sizes = curve["poses"]
    wanted = sorted({6, 9, 12, 16, 20, 24, 30, 40, 50, 60, count} & set(sizes))
    table = Table(box=SIMPLE_HEAD, pad_edge=False, title="How many poses: edge sd in mm",
                  title_justify="left")
    for heading in ("poses", "worst", "median", ""):
        table.add_column(heading, justify="left" if not heading else "right")
    goal = document["goal"]
    for n in wanted:
        at = sizes.index(n)
        marks = ["this plan"] if n == count else []
        if goal is not None and curve["worst"][at] <= goal:
            marks.append("within the goal")
        table.add_row(str(n), f"{1000 * curve['worst'][at]:.1f}",
                      f"{1000 * curve['median'][at]:.1f}", ", ".join(marks))
    return table
