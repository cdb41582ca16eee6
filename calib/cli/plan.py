"""``calib plan``: which poses to shoot, before driving out."""

import shlex
import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

from calib.cli import planned, talk
from calib.cli.onward import begin

#: Minutes of a plan when the user says neither them nor a number nor a goal (common practice, no
#: source).
MINUTES = 45.0


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
    # Only now: a wrong option is told before the libraries are there.
    from calib.cli.planning import Asked, Site, made_and_written
    from calib.report.plan_summary import plan_summary

    site = Site(foot_height=foot_height, nearest=nearest, highest=highest,
                instrument=planned.instrument_place(instrument))
    document, within = made_and_written(
        Asked(source, minutes, poses, goal, machine, stands, best_for, targets, site, candidates,
              seed), folder)
    talk.answer(document, plan_summary(document), json)
    talk.tell_cautions()
    talk.tell(f"The pose sheet and plan.csv are in {folder}")
    if source.is_dir():
        named = shlex.quote(str(source))
        talk.tell("Beside the machine readings and shots go into the page of calib yard, later "
                  f"with calib import FILES --into {named}; then: calib solve {named}")
    unmet = within is not None and document.predicted.within95 > within
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


def _folder(source, out):
    folder = out or (source / "plan" if source.is_dir() else Path("plan"))
    if source.is_dir():
        from calib.run.write import refuse_run_folder

        refuse_run_folder(folder, source)
    return folder
