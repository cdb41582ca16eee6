"""``calib plan``: which poses to shoot, before driving out."""

import shlex
from dataclasses import replace
from pathlib import Path
from textwrap import wrap
from typing import Annotated, Literal

import numpy as np
import pandas as pd
import typer

from calib.cli import planned, talk
from calib.cli.results import json_text
from calib.document.planned import PlanRecord
from calib.judge.equivalent import equivalents
from calib.judge.goal import GOAL, TIMES_SD
from calib.plan.candidates import NoPose
from calib.plan.curve import (
    MOST_MINUTES,
    GoalOutOfReach,
    curve,
    has_more_than_the_edge,
    least_minutes,
    least_minutes_to_lose_one,
)
from calib.plan.look_alikes import kept_out
from calib.plan.plan import Plan, make_plan
from calib.plan.rehearsal import rehearsed
from calib.plan.sight import Site
from calib.plan.task import Prepared, Task, prepare
from calib.report.plan_record import plan_document, plan_table, shots_to_take
from calib.report.plan_summary import out_of_reach, plan_summary
from calib.report.plan_words import mm
from calib.report.pose_sheet import sheet_files
from calib.report.words.cautions import CAUTIONS
from calib.report.words.relabelling import equivalent_says
from calib.run.beforehand import read_machine
from calib.run.records import Machine, Tape
from calib.run.write import csv_text, refuse_run_folder, write_whole

#: Minutes of a plan when the user says neither them nor a number nor a goal (common practice, no
#: source), and how far beyond a plan its curve goes.
MINUTES, _BEYOND = 45.0, 1.5

#: Of a new attachment on a known machine: poses looked at, and how many are told of at least.
MOST_FEW, LEAST_TOLD = 12, 5


#: Its own options.
Source = Annotated[Path, typer.Argument(
    metavar="RUN_OR_RIG", help="A run folder (rig.toml, and tape.csv if there is one), a rig file, "
    "or the name of a shipped rig.")]
Minutes = Annotated[float | None, typer.Option(
    min=5.0, max=1000.0, help=f"How long it may take in the field; {MINUTES:g} if neither this, "
    "--poses nor a goal is given.")]
Poses = Annotated[int | None, typer.Option(
    min=2, max=200, help="How many poses, in place of minutes.")]
Goal = Annotated[str | None, typer.Option(
    help="What the edge must be known to, such as 8mm (95 %, worst over the envelope): the least "
    "minutes are looked for; [goal] of rig.toml if not given.")]
Stands = Annotated[int, typer.Option(min=1, max=9, help="Parking positions.")]
Out = Annotated[Path | None, typer.Option(
    "--out", help="Where the plan goes; RUN/plan if not given.")]
BestFor = Annotated[Literal["edge", "parameters"], typer.Option(
    "--for", help="What is to be known best: the edge over the envelope of the rig file, or the "
    "parameters.")]
Targets = Annotated[str | None, typer.Option(
    help="What may be shot, names with commas; both corners of the edge, pins and marks if not "
    "given.")]
Seed = Annotated[int, typer.Option(min=0, help="The same seed gives the same plan.")]
Json = Annotated[bool, typer.Option("--json", help="Print plan.json.")]


def plan(
    source: Source, minutes: Minutes = None, poses: Poses = None, goal: Goal = None,
    machine: planned.Known = None, stands: Stands = 1, out: Out = None, best_for: BestFor = "edge",
    targets: Targets = None, instrument: planned.Instrument = "14,9,-0.3",
    foot_height: planned.FootHeight = 1.9, nearest: planned.Nearest = 2.5,
    highest: planned.Highest = 2.0, candidates: planned.Count = 20_000, seed: Seed = 0,
    json: Json = False,
) -> None:
    """Plan which poses to shoot, and what in each: a pose sheet to print, and what it is worth.

    How long things take is in [effort] of the rig.
    """
    if minutes is not None and poses is not None:
        raise typer.BadParameter("either --minutes or --poses")
    planned.length(goal)  # a wrong one is told before any file is read
    folder = _folder(source, out)
    rig, tape, notices = read_machine(source)
    known = None if machine is None else planned.machine_for(rig, machine)
    talk.tell_all(notices)
    site = Site(foot_height=foot_height, nearest=nearest, highest=highest,
                instrument=planned.instrument_place(instrument))
    prepared = _prepared(Task.for_rig(
        rig, tape, planned.named_targets(rig, targets), machine=known, site=site, seed=seed,
        count=candidates), source)
    asked, least = planned.asked_goal(goal, rig), (None, None)
    if known is not None:
        asked = asked or GOAL
        if minutes is None and poses is None:
            poses = _fewest(prepared, asked, stands, best_for)
    elif asked is not None:
        least = _least(prepared, asked, stands, minutes or poses)
    with talk.working("Choosing and judging poses"):
        made = make_plan(prepared, poses, stands, best_for,
                         None if poses is not None else minutes or least[1] or least[0] or MINUTES)
        document = _document(made, known, (tape, machine), asked, least)
    _write(folder, document)
    talk.answer(document, plan_summary(document), json)
    talk.tell_cautions()
    talk.tell(f"The pose sheet and plan.csv are in {folder}")
    if source.is_dir():
        named = shlex.quote(str(source))
        talk.tell("Beside the machine readings and shots go into the page of calib yard, later "
                  f"with calib import FILES --into {named}; then: calib solve {named}")
    talk.follow(*(("yard", source) if source.is_dir() else ("new", "run")))
    if asked is not None and document.predicted.within95 > asked:
        raise typer.Exit(talk.GATE_FAILED)


def _prepared(task: Task, source: Path) -> Prepared:
    """What there is to choose from; no pose at all is a complaint about the source."""
    try:
        with talk.working(f"Looking at {task.count} poses"):
            return prepare(task)
    except NoPose as error:
        raise planned.no_pose(error, str(source)) from None


def _document(made: Plan, known: Machine | None, told_by: tuple[Tape | None, Path | None],
              goal: float | None, least: tuple[float | None, float | None]) -> PlanRecord:
    """A plan with its curves and the machines that it could not tell from the true one.

    What is known beforehand is from a tape and an earlier result, if they are there (`told_by`).
    """
    taped = () if told_by[0] is None else told_by[0].quantities
    prepared, most = made.prepared, _BEYOND * made.minutes.total
    return plan_document(
        made, _known_source(*told_by), curve(prepared, made.stands, most),
        curve(prepared, made.stands, most, True) if has_more_than_the_edge(prepared) else None,
        goal, least, kept_out(prepared.task.rig, _look_alikes(made, known), taped))


def _write(folder, document):
    """The files of a plan."""
    shots = pd.DataFrame(shots_to_take(document), columns=["shot", "pose", "target"])
    write_whole(folder, {
        "plan.json": json_text(document.table()),
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


def _folder(source, out):
    folder = out or (source / "plan" if source.is_dir() else Path("plan"))
    if source.is_dir():
        refuse_run_folder(folder, source)
    return folder


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
            talk.tell("Nothing was written. With --minutes a plan is made all the same.")
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
