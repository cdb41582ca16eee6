"""``calib solve``: a run folder in, a judged geometry out; the numbers first, then the drawings."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from calib.console import talk
from calib.operations.solved import solved
from calib.run.complaints import InputError, UnknownName
from calib.run.result_folder import ResultPlace

if TYPE_CHECKING:  # the second process is asked before what judges and tells is loaded
    from calib.document.record import ResultRecord


def solve(run: Path, out: Path | None, set_aside: str, machine: Path | None,
          tolerance: float | None, bootstrap: int | None, seed: int, no_report: bool, json: bool
          ) -> None:
    """Solve a run, tell and write what was found, and draw it."""
    out = out or run / "result"
    try:
        document, place = solved(run, out, set_aside, tolerance and tolerance / 1000, machine,
                                 None if bootstrap is None else (bootstrap, seed),
                                 None if json else talk.result, not no_report)
    except UnknownName as error:
        raise typer.BadParameter(str(error), param_hint="--set-aside") from None
    from calib.cli.onward import follow_on
    from calib.operations.judged import rest  # which `solved` has loaded
    from calib.operations.result_files import write_numbers

    talk.answer(document, rest(document), json)
    write_numbers(document, place, not no_report)
    talk.tell(f"The numbers are in {out}")
    suggested = next_commands(document, run, out)
    if document.to_tape is not None:
        talk.tell_cautions()
    talk.tell_all(suggested)
    if not no_report:
        drawn(document, place, out)
    if document.verdict.passed:
        follow_on(document, out, run=run)
        return
    talk.follow_line(suggested[0].partition(": ")[2] if suggested else talk.command("report", out))
    raise typer.Exit(talk.GATE_FAILED)


def drawn(document: ResultRecord, place: ResultPlace, out: Path) -> None:
    """Draw a result; if that cannot be, say that the numbers are there and how to draw them."""
    from calib.operations.result_files import draw

    try:
        draw(document, place)
    except InputError as error:
        talk.tell_all(error.complaints)
        talk.tell("The numbers are written, the report is not. To draw it again: "
                  + talk.command("report", out))
        raise typer.Exit(talk.INPUT) from None
    talk.tell(f"The report is in {out}")


def next_commands(document: ResultRecord, run: Path, out: Path) -> list[str]:
    """What to do about gates that failed, each with the command to type.

    Parameters
    ----------
    document : ResultRecord
        Of result.json.
    run, out : Path
        The run folder and where the result is.
    """
    from calib.cli.onward import known_with, solved_with
    from calib.judge.set_aside import NONE, SUSPECTS

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
