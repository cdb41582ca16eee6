"""``calib solve``: a run folder in, a judged geometry out."""

from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from calib.cli import talk
from calib.cli.planned import Tolerance
from calib.cli.results import result_files
from calib.document.record import ResultRecord
from calib.judge.choice import solve_as_chosen
from calib.judge.judgement import judge
from calib.judge.set_aside import NONE, SUSPECTS, UnknownName
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
            help="Solve without the suspects, or without what is named: a shot's ID, pose:ID, "
            "POSE/READING, tape:QUANTITY or sight:SETUP/POINT.",
        ),
    ] = NONE,
    tolerance: Tolerance = None,
    json: Annotated[
        bool, typer.Option("--json", help="Print result.json instead of the summary.")
    ] = False,
) -> None:
    """Solve a run: geometry, how well each number is known, and what does not fit."""
    out = out or run / "result"
    document = solved(run, out, set_aside, tolerance and tolerance / 1000)
    if json:
        talk.result_json(document)
    else:
        talk.result(summary(document))
    talk.tell_all(next_commands(document, run, out))
    if not document.verdict.passed:
        raise typer.Exit(talk.GATE_FAILED)


def solved(run_folder: Path, out: Path, set_aside: str = NONE,
           tolerance: float | None = None) -> ResultRecord:
    """Read, solve, judge, write; returns the document of result.json."""
    place = result_place(out, run_folder)
    run = read_run(run_folder)
    talk.tell_all(run.notices)
    with talk.working(_size(run)):
        try:
            chosen = solve_as_chosen(run, set_aside)
        except UnknownName as error:
            raise typer.BadParameter(str(error), param_hint="--set-aside") from None
        document = result_document(chosen, judge(chosen.solution, tolerance))
    with talk.working("Drawing"):
        files = result_files(document)
    talk.tell_all(replace_result(place, files))
    talk.tell(f"Results are in {out}")
    return document


def next_commands(document: ResultRecord, run: Path, out: Path) -> list[str]:
    """What to do next, each with the command to type.

    Parameters
    ----------
    document : ResultRecord
        Of result.json.
    run, out : Path
        The run folder and where the result is.
    """
    if document.verdict.passed:
        return [f"To print what to enter: calib sheet {_typed(out)}"]
    failed = {gate.name for gate in document.verdict.gates if not gate.passed}
    choice = document.set_aside.choice
    aside = "" if choice == NONE else f" --set-aside {quote(choice)}"
    lines = []
    if failed & {"global test", "held-out poses", "suspects", "survey scale"}:
        lines.append(f"To look for the mistake: calib diagnose {_typed(run)}")
    if "suspects" in failed:
        names = [s.name for s in document.suspects if s.beyond_chance]
        both = SUSPECTS if choice == NONE else ",".join([
            *(v.name for v in document.set_aside.values), *names])
        lines.append(f"To solve without the suspects: calib solve {_typed(run)} --set-aside "
                     f"{quote(both)} --out {_typed(out.parent / (out.name + '-without'))}")
    if failed & {"edge", "correlation"}:
        lines.append(f"To know which poses to add: calib next {_typed(run)}{aside}")
    if failed & {"check shots", "check-shot offset"}:
        lines.append(f"To see each check shot: calib check {_typed(out)}")
    return lines


def _typed(path):
    """A path as the shell takes it."""
    return quote(str(path))


def _size(run):
    poses, check = len(set(run.shots.pose.tolist())), 0 if run.check is None else len(run.check)
    beside = f", and {check} check shots" if check else ""
    return f"Solving {len(run.shots)} shots in {poses} poses{beside}"
