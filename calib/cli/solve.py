"""``calib solve``: a run folder in, a judged geometry out."""

from pathlib import Path
from typing import Annotated

import typer

from calib.calibration import solve as solve_run
from calib.cli import talk
from calib.cli.results import result_files
from calib.judge.judgement import judge
from calib.report.record import result_document
from calib.report.summary import summary
from calib.run.folder import read_run
from calib.run.write import refuse_run_folder, write_whole


def solve(
    run: Annotated[Path, typer.Argument(help="The run folder (see: calib new).")],
    out: Annotated[
        Path | None, typer.Option("--out", help="Where results go; RUN/result if not given.")
    ] = None,
    json: Annotated[
        bool, typer.Option("--json", help="Print result.json instead of the summary.")
    ] = False,
) -> None:
    """Solve a run: geometry, how well each number is known, and what does not fit."""
    document = solved(run, out or run / "result")
    if json:
        talk.result_json(document)
    else:
        talk.result(summary(document))
    if not document["verdict"]["passed"]:
        raise typer.Exit(talk.GATE_FAILED)


def solved(run_folder: Path, out: Path) -> dict:
    """Read, solve, judge, write; returns the document of result.json."""
    refuse_run_folder(out, run_folder)
    run = read_run(run_folder)
    talk.tell_all(run.notices)
    with talk.working(f"Solving {len(run.poses.ids)} poses, {len(run.shots)} shots"):
        solution = solve_run(run)
        document = result_document(solution, judge(solution))
    with talk.working("Drawing"):
        files = result_files(document)
    write_whole(out, files)
    talk.tell(f"Results are in {out}")
    return document
