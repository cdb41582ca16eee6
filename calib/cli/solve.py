"""``calib solve``: a run folder in, a judged geometry out; the numbers first, then the drawings."""

from collections.abc import Callable
from pathlib import Path

import typer

from calib.cli import elsewhere
from calib.cli.drawing_process import Beside
from calib.cli.onward import follow_on, known_with, solved_with
from calib.console import talk
from calib.document.record import ResultRecord
from calib.judge.set_aside import NONE, SUSPECTS
from calib.run.folder import read_run
from calib.run.records import Run
from calib.run.result_folder import ResultPlace, result_place


def solve(run: Path, out: Path | None, set_aside: str, machine: Path | None,
          tolerance: float | None, bootstrap: int | None, seed: int, no_report: bool, json: bool
          ) -> None:
    """Solve a run, tell and write what was found, and draw it."""
    out = out or run / "result"
    document, place = solved(run, out, set_aside, tolerance and tolerance / 1000, machine,
                             None if bootstrap is None else (bootstrap, seed),
                             None if json else talk.result, not no_report)
    from calib.cli import results  # which `solved` has loaded

    talk.answer(document, results.rest(document), json)
    results.write_numbers(document, place, not no_report)
    talk.tell(f"The numbers are in {out}")
    suggested = next_commands(document, run, out)
    if document.to_tape is not None:
        talk.tell_cautions()
    talk.tell_all(suggested)
    if not no_report:
        results.draw(document, place, out)
    if document.verdict.passed:
        follow_on(document, out, run=run)
        return
    talk.follow_line(suggested[0].partition(": ")[2] if suggested else talk.command("report", out))
    raise typer.Exit(talk.GATE_FAILED)


def solved(run_folder: Path, out: Path, set_aside: str = "none", tolerance: float | None = None,
           machine: Path | None = None, bootstrap: tuple[int, int] | None = None,
           show: Callable[[str], None] | None = None, to_draw: bool = False
           ) -> tuple[ResultRecord, ResultPlace]:
    """Read, solve, judge; the document of result.json, and where it is to be written.

    `bootstrap` is a number of replicates and a seed. `show` is given verdict and parameters as soon
    as they are known, before the rest is; what is needed `to_draw` is loaded while that is found.
    """
    place = result_place(out, run_folder)
    run = read_run(run_folder, unfinished=machine is not None)
    if machine is not None:
        from calib.cli.planned import run_with_machine  # much, and seldom needed

        run = run_with_machine(run, machine)
    talk.tell_all(run.notices)
    with talk.working(_size(run)):
        plausible_found = (Beside.running.later(elsewhere.plausible, run, set_aside)
                           if Beside.running else None)
        # Only now: the other process has the run while this one loads what solves and judges it.
        from calib.cli.results import judged, with_rest

        chosen, judgement, document = judged(run, set_aside, tolerance, plausible_found)
    return with_rest(chosen, judgement, document, bootstrap, show, to_draw), place


def next_commands(document: ResultRecord, run: Path, out: Path) -> list[str]:
    """What to do about gates that failed, each with the command to type.

    Parameters
    ----------
    document : ResultRecord
        Of result.json.
    run, out : Path
        The run folder and where the result is.
    """
    failed = set(document.verdict.failed)
    known = known_with(document)
    lines = []
    if failed & {"global test", "held-out poses", "suspects", "survey scale", "systematic errors"}:
        lines.append(("To look for the mistake", "diagnose", run, *known))
    if "suspects" in failed and not document.verdict.explained:
        names = [s.name for s in document.suspects if s.beyond_chance]
        both = SUSPECTS if document.set_aside.choice == NONE else ",".join([
            *(v.name for v in document.set_aside.values), *names])
        lines.append(("To solve without the suspects", "solve", run, *known, "--set-aside", both,
                      "--out", out.parent / f"{out.name}-without"))
    if failed & {"edge", "correlation"}:
        lines.append(("To know which poses to add", "next", run, *solved_with(document)))
    if failed & {"check shots", "check-shot offset"}:
        lines.append(("To see each check shot", "check", out))
    return [f"{why}: {talk.command(*words)}" for why, *words in lines]


def _size(run: Run) -> str:
    poses, check = len(set(run.shots.pose.tolist())), 0 if run.check is None else len(run.check)
    beside = f", and {check} check shots" if check else ""
    return f"Solving {len(run.shots)} shots in {poses} poses{beside}"
