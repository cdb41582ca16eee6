"""Which poses to shoot next, as a document (JSON numbers, m and deg) and in words."""

from collections.abc import Sequence
from importlib.metadata import version

import numpy as np
from rich.table import Table

from calib.adjust.distributions import TIMES_SD
from calib.calibration import Problem
from calib.document import further as tables
from calib.plan.further import Further
from calib.plan.task import Task
from calib.report.numbers import number
from calib.report.plan_record import pose_columns, pose_ids
from calib.report.plan_words import (
    column,
    edge_span,
    mm,
    notes_in_words,
    pole_reach,
    shots_in_words,
    shown_cells,
    within,
)
from calib.report.press.terminal import console, text_of
from calib.report.spoken import spoken, spoken_values
from calib.report.words.cautions import CAUTIONS

#: 2: with the goal at 95 %, lengths 1 sd where their description says so.
SCHEMA = 2

#: An edge that is known no better than this is hardly determined, m.
_HARDLY = 1.0


def next_document(further: Further, task: Task, problem: Problem, unsolved: str | None,
                  aside: Sequence[str], goal: float, stated: bool,
                  objection: str | None = None, but: str | None = None) -> tables.NextRecord:
    """All that is known about going on with a run.

    Parameters
    ----------
    problem : Problem
        Of what was shot, without what is set aside.
    unsolved : str or None
        Why the run cannot be solved yet.
    aside : sequence of str
        Names of what is set aside.
    goal : float
        What the edge must be known to at 95 %, worst over the envelope, m.
    stated : bool
        Whether somebody asked for that, or it is the usual one.
    objection : str, optional
        Why the values are not to be entered although the goal is met.
    but : str, optional
        What could hide from every test although the goal is met.
    """
    run, sd = problem.run, goal / TIMES_SD
    poses = _further_poses(further, task, run.poses.ids)
    needed = further.needed(sd)
    worst = number(further.worst[0])
    return tables.NextRecord(
        schema_=SCHEMA,
        calib=version("calib"),
        shot=tables.ShotSoFar(poses=len(set(run.shots.pose.tolist())), shots=len(run.shots),
                              stands=list(problem.stands)),
        set_aside=list(aside),
        unsolved=unsolved,
        undetermined=further.undetermined,
        now=tables.KnownNow(worst=worst, rms=number(further.mean[0]),
                            within95=None if worst is None else TIMES_SD * worst),
        weak=[tables.WeakParameter(parameter=name, share=share) for name, share in further.weak],
        stand=further.stand,
        here=_here(further, task.rig),
        targets=[task.rig.target_names[t] for t in task.targets],
        driven=[r.name for r in task.rig.readings if r.speed is not None],
        units=[r.unit for r in task.rig.readings if r.speed is not None],
        poses=poses,
        reach=pole_reach(poses, task.site.foot_height, "next"),
        goal=goal,
        goal_stated=stated,
        goal_met=further.met(sd),
        goal_needs=needed,
        goal_minutes=None if needed is None else number(further.beyond_minutes[needed]),
        looked_at=tables.LookedAt(poses=len(further.beyond) - 1, worst=number(further.beyond[-1])),
        objection=objection,
        but=but,
        hardly_helps=further.hardly_helps(),
        cautions=list(CAUTIONS),
    )


def _further_poses(further, task, used):
    """Poses with ids that go on from those used."""
    worst = np.append(further.first_worst if further.here else further.worst[0],
                      further.worst[1:])
    return tables.FurtherPose.each(
        pose=_next_ids(used, len(further.minutes)), minutes=further.minutes, worst_after=worst[1:],
        gain=worst[:-1] - worst[1:],
        **pose_columns(task, further.readings, further.shots, further.noted))


def _here(further, rig):
    """What to shoot before the machine moves on."""
    here = further.here
    if here is None:
        return None
    return tables.Here.like(here, pose=further.last, worst_after=here.worst,
                            shoot=[rig.target_names[t] for t in here.targets],
                            gain=further.worst[0] - here.worst)


def best_buy(document: tables.NextRecord) -> str:
    """The first thing to shoot, what it is worth and what it takes, in a sentence.

    What gains most per minute; the first in the document.
    """
    here, before = document.here, document.now.worst
    buy = here or document.poses[0]
    what = f"shoot {shots_in_words(buy.shoot)}"
    way = (f"{what} where the machine is (pose {here.pose})" if here
           else f"drive to pose {buy.pose} and {what}")
    after = buy.worst_after
    worth = (f"{within(before)} -> {within(after)}"
             if _told(before) and not document.undetermined
             else f"then {within(after)}" if _told(after) else "no number yet")
    minutes = max(1, round(buy.minutes))
    return f"Best buy: {way}: {worth}, {minutes} {'minute' if minutes == 1 else 'minutes'}."


def next_summary(document: tables.NextRecord) -> str:
    """Where the run stands and what to shoot next, at most 100 columns wide."""
    out = console()
    if not document.enough and not document.goal_met:
        out.print(f"{best_buy(document)}\n")
    shot = document.shot
    aside = f"; set aside: {spoken_values(document.set_aside)}" if document.set_aside else ""
    out.print(f"So far {shot.shots} shots in {shot.poses} poses, stands "
              f"{', '.join(shot.stands)}{aside}.")
    if document.unsolved:
        out.print(f"The run cannot be solved yet: {document.unsolved}. What follows is reckoned "
                  "at the taped values, or the template's.")
    if document.undetermined:
        out.print("Shots and tape so far leave something undetermined.")
    elif (worst := document.now.worst) is not None and (rms := document.now.rms) is not None:
        out.print(f"The edge is known to {within(worst)} (95 %, worst over the envelope; 1 sd "
                  f"{mm(worst)}, root mean square {mm(rms)}).")
    if document.weak and not document.undetermined:
        parts = ", ".join(f"{spoken(w.parameter)} {100 * w.share:.0f} %" for w in document.weak)
        out.print(f"Weakest there: {parts} of the variance.")
    out.print(_enough(document) if document.enough or document.goal_met else _not_enough(document))
    if document.enough:
        out.print("If you shoot more all the same:")
    out.print(f"\n{document.reach}")
    out.print(_table(document))
    return text_of(out)


def _goal(document):
    usual = "" if document.goal_stated else ", the usual one: common practice, no source"
    return f"the goal is {mm(document.goal)} (95 %{usual})"


def _enough(document):
    """Why nothing more need be shot."""
    now, then = document.now.worst, (document.here or document.poses[0]).worst_after
    if document.objection is not None:
        return (f"The sds promise an edge known to {within(now)} ({_goal(document)}), but more "
                f"shots alone will not do. {document.objection}")
    if document.goal_met:
        return (f"{'Enough, but' if document.but else 'Enough'}: the edge is known to "
                f"{within(now)}; {_goal(document)}. {document.but or ''}").rstrip()
    return (f"Not enough, {_goal(document)}; but one more pose hardly helps: the best further one "
            f"would better the edge from {1000 * TIMES_SD * now:.2f} to "
            f"{1000 * TIMES_SD * then:.2f} mm only.")


def _not_enough(document):
    """How far it is to the goal, and about how many more poses it takes."""
    poses, looked = document.poses, document.looked_at
    now = ("shots and tape so far leave something undetermined" if document.undetermined else
           f"{within(document.now.worst)}")
    best = f"{len(poses)} further poses give" if len(poses) > 1 else "further pose gives"
    then = poses[-1].worst_after
    says = (f"Not enough yet: {now}, {_goal(document)}; the best {best} "
            + (f"{within(then)}." if _told(then) else "no number yet."))
    how = f"chosen one after the other in stand {document.stand} and shot as well as so far"
    here = document.here
    if here is not None and _told(here.worst_after) and (
            TIMES_SD * here.worst_after <= document.goal):
        return f"{says} The best buy alone reaches it."
    if document.goal_needs is not None:
        count = document.goal_needs
        return (f"{says} About {count} further {'pose reaches' if count == 1 else 'poses reach'} "
                f"it, {document.goal_minutes:.0f} minutes, {how}.")
    reached = f"{within(looked.worst)} with them" if _told(looked.worst) else "far from it"
    return f"{says} {looked.poses} further poses do not reach it: {reached}, {how}."


def _table(document):
    table = Table(box=None, pad_edge=False, title_justify="left",
                  title=f"Best next in stand {document.stand}, deg; edge then and gain: mm at 95 %")
    table.add_column("pose", no_wrap=True)
    units = dict(zip(document.driven, document.units, strict=True))
    for name, unit in units.items():
        table.add_column(column(name, unit), justify="right")
    table.add_column("edge up, m", justify="right", no_wrap=True)
    table.add_column("shoot", min_width=13)
    for heading in ("minutes", "edge then", "gain"):
        table.add_column(heading, justify="right")
    for pose in document.poses:
        table.add_row(
            pose.pose, *shown_cells(pose, units), edge_span(pose),
            ", ".join(filter(None, (shots_in_words(pose.shoot), notes_in_words(pose)))),
            f"{pose.minutes:.1f}",
            *_edge_then(pose))
    return table


def _edge_then(pose):
    """The edge after a pose and what that gains, mm; nothing of what is hardly determined."""
    after = pose.worst_after
    if not _told(after):
        return "not yet", "-"
    return (f"{1000 * TIMES_SD * after:.2f}",
            f"{1000 * TIMES_SD * pose.gain:.2f}" if _told(after + pose.gain) else "-")


def _told(sd):
    """Whether an edge sd is one at all, not that of an edge that is hardly determined."""
    return sd is not None and sd < _HARDLY


def _next_ids(used, count):
    """Ids that go on from those used."""
    numbers = [int(name) for name in used if name.isascii() and name.isdecimal()]
    if numbers:
        width = max(len(name) for name in used if name.isdecimal())
        return [f"{max(numbers) + 1 + k:0{width}d}" for k in range(count)]
    return [name for name in pose_ids(len(used) + count) if name not in used][-count:]
