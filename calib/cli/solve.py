"""``calib solve``: a run folder in, a judged geometry out."""

from pathlib import Path
from typing import Annotated

import typer

from calib.cli import talk
from calib.cli.results import result_files
from calib.judge.choice import solve_as_chosen
from calib.judge.judgement import judge
from calib.judge.set_aside import NONE, UnknownName
from calib.report.record import result_document
from calib.report.summary import summary
from calib.run.folder import read_run
from calib.run.result_folder import replace_result, result_place


def solve(
    run: Annotated[Path, typer.Argument(help="The run folder (see: calib new).")],
    out: Annotated[
        Path | None, typer.Option("--out", help="Where results go; RUN/result if not given.")
    ] = None,
    set_aside: Annotated[
        str,
        typer.Option(
            "--set-aside", metavar="suspects|none|ID,...",
            help="Solve without the suspects, or without what is named: a shot's ID, pose:ID, or "
            "POSE/READING.",
        ),
    ] = NONE,
    json: Annotated[
        bool, typer.Option("--json", help="Print result.json instead of the summary.")
    ] = False,
) -> None:
    """Solve a run: geometry, how well each number is known, and what does not fit."""
    document = solved(run, out or run / "result", set_aside)
    if json:
        talk.result_json(document)
    else:
        talk.result(summary(document))
    if not document["verdict"]["passed"]:
        raise typer.Exit(talk.GATE_FAILED)


def solved(run_folder: Path, out: Path, set_aside: str = NONE) -> dict:
    """Read, solve, judge, write; returns the document of result.json."""
    place = result_place(out, run_folder)
    run = read_run(run_folder)
    talk.tell_all(run.notices)
    with talk.working(_size(run)):
        try:
            chosen = solve_as_chosen(run, set_aside)
        except UnknownName as error:
            raise typer.BadParameter(str(error), param_hint="--set-aside") from None
        document = result_document(chosen, judge(chosen.solution))
    with talk.working("Drawing"):
        files = result_files(document)
    talk.tell_all(replace_result(place, files))
    talk.tell(f"Results are in {out}")
    return document


def _size(run):
    poses, check = len(set(run.shots.pose.tolist())), 0 if run.check is None else len(run.check)
    beside = f", and {check} check shots" if check else ""
    return f"Solving {len(run.shots)} shots in {poses} poses{beside}"
