"""Which poses to shoot next, as a document (JSON numbers, m and deg) and in words."""

import io
from collections.abc import Sequence
from importlib.metadata import version

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from calib.calibration import Problem
from calib.plan.further import Further
from calib.plan.task import Task
from calib.report.numbers import number
from calib.report.plan_record import pose_ids, pose_records
from calib.report.plan_words import edge_span, mm, pole_reach, shots_in_words
from calib.report.words.cautions import CAUTIONS

WIDTH = 100

#: An edge that is known no better than this is hardly determined, m.
_HARDLY = 1.0


def next_document(further: Further, task: Task, problem: Problem, unsolved: str | None,
                  aside: Sequence[str], goal: float | None) -> dict:
    """All that is known about going on with a run.

    Parameters
    ----------
    problem : Problem
        Of what was shot, without what is set aside.
    unsolved : str or None
        Why the run cannot be solved yet.
    aside : sequence of str
        Names of what is set aside.
    goal : float, optional
        Worst edge sd that is asked for, m.
    """
    run = problem.run
    poses = pose_records(task.rig, task.parameters, further.readings, task.targets,
                         task.site.foot_height)
    for k, (pose, name) in enumerate(zip(poses, _next_ids(run.poses.ids, len(poses)),
                                         strict=True)):
        pose |= {"pose": name, "minutes": number(further.minutes[k]),
                 "shoot": [task.rig.target_names[t] for t, shot in
                           zip(task.targets, further.shots[k], strict=True) if shot],
                 "worst_after": number(further.worst[k + 1]),
                 "gain": number((further.first_worst if k == 0 and further.here
                                 else further.worst[k]) - further.worst[k + 1])}
    return {
        "schema": 1,
        "calib": version("calib"),
        "shot": {"poses": len(set(run.shots.pose.tolist())), "shots": len(run.shots),
                 "stands": list(problem.stands)},
        "set_aside": list(aside),
        "unsolved": unsolved,
        "undetermined": further.undetermined,
        "now": {"worst": number(further.worst[0]), "rms": number(further.mean[0])},
        "weak": [{"parameter": name, "share": number(share)} for name, share in further.weak],
        "stand": further.stand,
        "here": _here(further, task.rig),
        "targets": [task.rig.target_names[t] for t in task.targets],
        "driven": [r.name for r in task.rig.readings if r.speed is not None],
        "poses": poses,
        "reach": pole_reach(poses, task.site.foot_height, "next"),
        "goal": None if goal is None else number(goal),
        "goal_met": None if goal is None else bool(
            not further.undetermined and further.worst[0] <= goal),
        "goal_needs": None if goal is None else further.needed(goal),
        "goal_minutes": _goal_minutes(further, goal),
        "looked_at": {"poses": len(further.beyond) - 1, "worst": number(further.beyond[-1])},
        "enough": further.enough(goal),
        "cautions": list(CAUTIONS),
    }


def _here(further, rig):
    """What to shoot before the machine moves on."""
    if further.here is None:
        return None
    here = further.here
    return {"pose": further.last, "shoot": [rig.target_names[t] for t in here.targets],
            "minutes": number(here.minutes), "worst_after": number(here.worst),
            "gain": number(further.worst[0] - here.worst)}


def _goal_minutes(further, goal):
    needed = None if goal is None else further.needed(goal)
    return None if needed is None else number(further.beyond_minutes[needed])


def best_buy(document: dict) -> str:
    """The first thing to shoot, what it is worth and what it takes, in a sentence.

    What gains most per minute; the first in the document.
    """
    here, before = document["here"], document["now"]["worst"]
    buy = here or document["poses"][0]
    what = f"shoot {shots_in_words(buy['shoot'])}"
    way = (f"{what} where the machine is (pose {here['pose']})" if here
           else f"drive to pose {buy['pose']} and {what}")
    after = buy["worst_after"]
    worth = (f"{mm(before)} -> {mm(after)}" if before < _HARDLY and not document["undetermined"]
             else f"then {mm(after)}" if after < _HARDLY else "no number yet")
    minutes = max(1, round(buy["minutes"]))
    return f"Best buy: {way}: {worth}, {minutes} {'minute' if minutes == 1 else 'minutes'}."


def next_summary(document: dict) -> str:
    """Where the run stands and what to shoot next, at most 100 columns wide."""
    out = Console(file=io.StringIO(), width=WIDTH, no_color=True, highlight=False, markup=False)
    if not document["enough"]:
        out.print(f"{best_buy(document)}\n")
    shot = document["shot"]
    aside = f"; set aside: {', '.join(document['set_aside'])}" if document["set_aside"] else ""
    out.print(f"So far {shot['shots']} shots in {shot['poses']} poses, stands "
              f"{', '.join(shot['stands'])}{aside}.")
    if document["unsolved"]:
        out.print(f"The run cannot be solved yet: {document['unsolved']}. What follows is reckoned "
                  "at the taped values, or the template's.")
    if document["undetermined"]:
        out.print("Shots and tape so far leave something undetermined.")
    else:
        out.print(f"The edge is known to {mm(document['now']['worst'])} (1 sd, worst over the "
                  f"envelope; root mean square {mm(document['now']['rms'])}).")
    if document["weak"] and not document["undetermined"]:
        parts = ", ".join(f"{w['parameter']} {100 * w['share']:.0f} %" for w in document["weak"])
        out.print(f"Weakest there: {parts} of the variance.")
    if document["enough"]:
        out.print(document["enough"])
        out.print("If you shoot more all the same:")
    elif document["goal"] is not None:
        out.print(_not_enough(document))
    out.print(f"\n{document['reach']}")
    out.print(_table(document))
    return "\n".join(line.rstrip() for line in out.file.getvalue().splitlines()) + "\n"


def _not_enough(document):
    """How far it is to the goal, and about how many more poses it takes."""
    goal, poses, looked = document["goal"], document["poses"], document["looked_at"]
    now = ("shots and tape so far leave something undetermined" if document["undetermined"] else
           f"{mm(document['now']['worst'])} (1 sd, worst over the envelope)")
    best = f"{len(poses)} further poses give" if len(poses) > 1 else "further pose gives"
    then = poses[-1]["worst_after"]
    says = (f"Not enough yet: {now}, the goal is {mm(goal)}; the best {best} "
            + (f"{mm(then)}." if then < _HARDLY else "no number yet."))
    how = f"chosen one after the other in stand {document['stand']} and shot as well as so far"
    here = document["here"]
    if here is not None and here["worst_after"] <= goal:
        return f"{says} The best buy alone reaches it."
    if document["goal_needs"] is not None:
        count = document["goal_needs"]
        return (f"{says} About {count} further {'pose reaches' if count == 1 else 'poses reach'} "
                f"it, {document['goal_minutes']:.0f} minutes, {how}.")
    reached = f"{mm(looked['worst'])} with them" if looked["worst"] < _HARDLY else "far from it"
    return f"{says} {looked['poses']} further poses do not reach it: {reached}, {how}."


def _table(document):
    table = Table(box=SIMPLE_HEAD, pad_edge=False, title_justify="left",
                  title=f"Best next in stand {document['stand']}, deg")
    table.add_column("pose", no_wrap=True)
    for name in document["driven"]:
        table.add_column(name, justify="right")
    table.add_column("edge up, m", justify="right")
    table.add_column("shoot")
    for heading in ("minutes", "edge then, mm", "gain, mm"):
        table.add_column(heading, justify="right")
    for pose in document["poses"]:
        table.add_row(
            pose["pose"], *(f"{pose['readings'][name]:.1f}" for name in document["driven"]),
            edge_span(pose), shots_in_words(pose["shoot"]), f"{pose['minutes']:.1f}",
            *_edge_then(pose))
    return table


def _edge_then(pose):
    """Edge sd after a pose and what it gains, mm; nothing of what is hardly determined."""
    after, before = pose["worst_after"], pose["worst_after"] + pose["gain"]
    return (f"{1000 * after:.2f}" if after < _HARDLY else "not yet",
            f"{1000 * pose['gain']:.2f}" if before < _HARDLY else "-")


def _next_ids(used, count):
    """Ids that go on from those used."""
    numbers = [int(name) for name in used if name.isascii() and name.isdecimal()]
    if numbers:
        width = max(len(name) for name in used if name.isdecimal())
        return [f"{max(numbers) + 1 + k:0{width}d}" for k in range(count)]
    return [name for name in pose_ids(len(used) + count) if name not in used][-count:]
