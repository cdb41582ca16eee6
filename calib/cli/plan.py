"""``calib plan``: which poses to shoot, before driving out: looked for, judged, written."""

import shlex
import sys
from dataclasses import replace
from pathlib import Path
from textwrap import wrap
from typing import Any

import numpy as np
import pandas as pd
import typer

from calib.adjust.distributions import TIMES_SD
from calib.cli import task_options
from calib.cli.commands import MINUTES
from calib.cli.onward import begin
from calib.console import talk
from calib.document.planned import PlanRecord
from calib.judge.equivalent import equivalents
from calib.judge.goal import GOAL
from calib.operations.known_machine import machine_for
from calib.plan.curve import (
    MOST_MINUTES,
    GoalOutOfReach,
    curves,
    least_minutes,
    least_minutes_to_lose_one,
)
from calib.plan.look_alikes import kept_out
from calib.plan.plan import Plan, make_plan
from calib.plan.rehearsal import rehearsed
from calib.plan.task import Prepared, Task
from calib.report.plan_record import plan_document, plan_table, shots_to_take
from calib.report.plan_summary import out_of_reach, plan_summary
from calib.report.plan_words import mm
from calib.report.pose_sheet import sheet_files
from calib.report.words.cautions import CAUTIONS
from calib.report.words.plausible import equivalent_says
from calib.run.folder import read_machine
from calib.run.records import Machine, Tape
from calib.run.write import csv_text, refuse_run_folder, write_whole

#: How far beyond a plan its curve goes.
_BEYOND = 1.5

#: Of a new attachment on a known machine: poses looked at, and how many are told of at least.
MOST_FEW, LEAST_TOLD = 12, 5


def plan(source: Path, minutes: float | None, poses: int | None, goal: str | None,
         machine: Path | None, stands: int, out: Path | None, best_for: str, targets: str | None,
         seed: int, candidates: int, json: bool, **where: Any) -> None:
    """Look for the best poses and write them; `where` is what `task_options.site` takes."""
    if minutes is not None and poses is not None:
        raise typer.BadParameter("either --minutes or --poses")
    # Wrong ones are told first.
    length, site = task_options.length(goal), task_options.site(**where)
    folder = out or (source / "plan" if source.is_dir() else Path("plan"))
    if source.is_dir():
        refuse_run_folder(folder, source)
    rig, tape, notices = read_machine(source)
    known = None if machine is None else machine_for(rig, machine)
    talk.tell_all(notices)
    prepared = task_options.prepared(Task.for_rig(
        rig, tape, task_options.named_targets(rig, targets), machine=known, site=site, seed=seed,
        count=candidates), source)
    within, least = rig.edge_goal if length is None else length, (None, None)
    if known is not None:
        within = within or GOAL
        if minutes is None and poses is None:
            poses = _fewest(prepared, within, stands, best_for)
    elif within is not None:
        least = _least(prepared, within, stands, minutes or poses)
    with talk.working("Choosing and judging poses"):
        made = make_plan(prepared, poses, stands, best_for,
                         None if poses is not None else minutes or least[1] or least[0] or MINUTES)
        document = _document(made, known, (tape, machine), within, least)
    _write(folder, document)
    talk.answer(document, plan_summary(document), json)
    talk.tell_cautions()
    talk.tell(f"The pose sheet and plan.csv are in {folder}")
    _say_next(source, document, within is not None and document.predicted.within95 > within)


def _say_next(source, document, unmet):
    """To the machine; or again, where a goal is not met."""
    if source.is_dir():
        named = shlex.quote(str(source))
        talk.tell("Beside the machine readings and shots go into the page of calib yard, later "
                  f"with calib import FILES --into {named}; then: calib solve {named}")
    talk.follow(*(_longer() if unmet and document.least_minutes is not None else
                  ("yard", source) if source.is_dir() else begin()))
    if unmet:
        raise typer.Exit(talk.GATE_FAILED)


def _longer():
    """The same words again without what bounds the minutes: the least that do are looked for."""
    words, kept = iter(sys.argv[1:]), []
    for word in words:
        option, _, value = word.partition("=")
        if option not in ("--minutes", "--poses"):
            kept.append(word)
        elif not value:
            next(words)
    return kept


def _document(made: Plan, known: Machine | None, told_by: tuple[Tape | None, Path | None],
              goal: float | None, least: tuple[float | None, float | None]) -> PlanRecord:
    """A plan with its curves and the machines that it could not tell from the true one.

    What is known beforehand is from a tape and an earlier result, if they are there (`told_by`).
    """
    taped = () if told_by[0] is None else told_by[0].quantities
    return plan_document(
        made, _known_source(*told_by), *curves(made, _BEYOND * made.minutes.total, least[0]),
        goal, least, kept_out(made.prepared.task.rig, _look_alikes(made, known), taped))


def _write(folder, document):
    """The files of a plan."""
    shots = pd.DataFrame(shots_to_take(document), columns=["shot", "pose", "target"])
    write_whole(folder, {
        "plan.json": talk.json_text(document),
        "plan.csv": _with_cautions(
            document, "target readings in deg (strokes in m). These are no readings: copy pose, "
            "stand and notes to readings.csv, and put there what the display shows.",
            pd.DataFrame(plan_table(document))),
        "shots-to-take.csv": _with_cautions(
            document, "rows for shots.csv: fill in the coordinates, m, and leave out what could "
            "not be shot.", shots.assign(east=None, north=None, up=None)),
        **sheet_files(document),
    })


def _with_cautions(document: PlanRecord, what: str, table: pd.DataFrame) -> str:
    """A table with what it is and the cautions at its head."""
    head = [
        *wrap(f"Planned with calib {document.calib}, seed {document.seed}: {what}", 96),
        "Before anyone goes near the machine:", *(f"- {caution}" for caution in CAUTIONS),
    ]
    return "".join(f"# {line}\n" for line in head) + csv_text(table)


def _fewest(prepared: Prepared, goal, stands, best_for):
    """The fewest poses of a new attachment for a goal, also if any one of them is lost; said."""
    found = {}
    with talk.working("Looking for how few poses a new attachment needs"):
        for poses in range(2, MOST_FEW + 1):
            made = make_plan(prepared, poses, stands, best_for)
            found[poses] = (float(np.max(made.edge_sd)), made.robustness.pose_lost)
            if poses >= LEAST_TOLD and TIMES_SD * max(found[poses]) <= goal:
                break
    talk.tell("Edge at 95 %, worst over the envelope, the machine known: " + ", ".join(
        f"{poses} poses {mm(TIMES_SD * sd)}" for poses, (sd, _) in found.items()))
    return next((poses for poses, both in found.items() if TIMES_SD * max(both) <= goal), MOST_FEW)


def _least(prepared: Prepared, goal, stands, given):
    """The least minutes for a goal, and for it with any one pose lost.

    None if it is out of reach, and minutes or poses are given.
    """
    try:
        with talk.working(f"Looking for the least minutes, {MOST_MINUTES:g} at most"):
            least = least_minutes(prepared, goal / TIMES_SD, stands)
            return least, least_minutes_to_lose_one(prepared, goal / TIMES_SD, stands, least)
    except GoalOutOfReach as error:
        talk.tell(out_of_reach(error))
        if given is None:
            talk.tell("Nothing was written. With --minutes a plan is made all the same:")
            talk.follow(*sys.argv[1:], "--minutes", f"{MINUTES:g}")
            raise typer.Exit(talk.GATE_FAILED) from None
        return None, None


def _look_alikes(made, machine):
    """What else an invented run of the plan would fit, and in what it differs."""
    run, truth = rehearsed(made, np.random.default_rng(made.prepared.task.seed),
                           parameters=made.prepared.task.parameters)
    run = replace(run, machine=machine)
    return [(equivalent_says(other), other.differs)
            for other in equivalents(run, truth.parameters)]


def _known_source(tape, machine):
    if machine is not None:
        return f"{machine} and tape.csv" if tape is not None and tape.quantities else str(machine)
    if tape is None:
        return "taping that is usual for this rig (common practice, no source)"
    return "tape.csv" if tape.quantities else "no tape.csv with rows in the run folder"
