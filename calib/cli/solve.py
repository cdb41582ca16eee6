"""``calib solve``: a run folder in, a judged geometry out; the numbers first, then the drawings.

Libraries are imported where they are used: a wrong option is told before they are there.
"""

from __future__ import annotations

import shlex
from functools import partial
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli import elsewhere, talk
from calib.cli.drawing_process import Beside, load
from calib.cli.planned import Known, Tolerance

if TYPE_CHECKING:
    from collections.abc import Callable

    from calib.document.record import ResultRecord
    from calib.run.records import Run
    from calib.run.result_folder import ResultPlace


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
    ] = "none",
    machine: Known = None,
    tolerance: Tolerance = None,
    bootstrap: Annotated[
        int | None, typer.Option("--bootstrap", min=100, max=100_000, metavar="N", help="Also "
                                 "solve N times with poses drawn from those of the run: intervals "
                                 "beside the linear ones.")] = None,
    seed: Annotated[int, typer.Option(min=0, max=10**9, help="Of the bootstrap.")] = 0,
    no_report: Annotated[
        bool, typer.Option("--no-report", help="Numbers only: draw no plots and no report.")
    ] = False,
    json: Annotated[
        bool, typer.Option("--json", help="Print result.json instead of the summary.")
    ] = False,
) -> None:
    """Solve a run: geometry, how well each number is known, and what does not fit."""
    beside = Beside.running
    out = out or run / "result"
    document, place = solved(run, out, set_aside, tolerance and tolerance / 1000, machine,
                             None if bootstrap is None else (bootstrap, seed), beside,
                             None if json else talk.result, not no_report)
    talk.answer(document, rest(document), json)
    write_numbers(document, place, not no_report)
    talk.tell(f"The numbers are in {out}")
    suggested = next_commands(document, run, out)
    if document.to_tape is not None:
        talk.tell_cautions()
    talk.tell_all(suggested)
    if not no_report:
        draw(document, place, out, beside)
    talk.follow_line(suggested[0].partition(": ")[2] if suggested
                     else f"calib report {_typed(out)}")
    if not document.verdict.passed:
        raise typer.Exit(talk.GATE_FAILED)


def solved(run_folder: Path, out: Path, set_aside: str = "none", tolerance: float | None = None,
           machine: Path | None = None, bootstrap: tuple[int, int] | None = None,
           beside: Beside | None = None, show: Callable[[str], None] | None = None,
           to_draw: bool = False) -> tuple[ResultRecord, ResultPlace]:
    """Read, solve, judge; the document of result.json, and where it is to be written.

    `bootstrap` is a number of replicates and a seed. `show` is given verdict and parameters as soon
    as they are known, before the rest is; what is needed `to_draw` is loaded while that is found.
    """
    from calib.run.folder import read_run
    from calib.run.result_folder import result_place

    place = result_place(out, run_folder)
    run = read_run(run_folder, unfinished=machine is not None)
    if machine is not None:
        from calib.cli.planned import run_with_machine

        run = run_with_machine(run, machine)
    talk.tell_all(run.notices)
    with talk.working(_size(run)):
        plausible_found = beside.later(elsewhere.plausible, run, set_aside) if beside else None
        from calib.judge.choice import solve_as_chosen
        from calib.judge.judgement import judge
        from calib.judge.set_aside import UnknownName

        try:
            chosen = solve_as_chosen(run, set_aside)
        except UnknownName as error:
            raise typer.BadParameter(str(error), param_hint="--set-aside") from None
        judgement = judge(chosen.solution, tolerance, beside.later if beside else partial,
                          chosen.out, chosen.instead, plausible_found)
        from calib.report.pages.summary import verdict_and_parameters
        from calib.report.record import verdict_document, with_noise

        document = verdict_document(chosen, judgement)
        if run.entries is not None:
            from calib.report.entered import with_entries

            document = with_entries(document, run.entries)
    if show is not None:
        show(verdict_and_parameters(document))
    if beside and to_draw:
        beside.later(load, elsewhere.DRAWS)
        load(elsewhere.DRAWS)
    document = with_noise(document, judgement)
    if bootstrap is not None:
        document = _bootstrapped(document, chosen.solution, *bootstrap)
    return document, place


def rest(document: ResultRecord) -> str:
    """What `solved` has not shown: fit and shots, and the bootstrap."""
    from calib.report.pages.summary import fit_and_shots

    if document.bootstrap is None:
        return fit_and_shots(document)
    from calib.report.blocks import Section
    from calib.report.bootstrapped import bootstrap_blocks
    from calib.report.press.terminal import plain

    return fit_and_shots(document) + plain([
        Section("bootstrap", "Bootstrap", bootstrap_blocks(document))])


def write_numbers(document: ResultRecord, place: ResultPlace, to_draw: bool = True) -> None:
    """Replace what is at a result's place by its numbers; drawings are told to follow, or not."""
    from calib.cli.results import DRAWN, number_files
    from calib.run.result_folder import replace_result

    talk.tell_all(replace_result(place, number_files(document), DRAWN if to_draw else ()))


def _bootstrapped(document, solution, count, seed):
    """The document with intervals of so many replicates of its solution."""
    from calib.report.bootstrapped import with_bootstrap
    from calib.resampled import resolve_many

    with talk.progress(f"Solving {count} times over", count) as done:
        resolved = resolve_many(solution, count, seed=seed, progress=done)
    return with_bootstrap(document, solution, resolved, seed)


def draw(document: ResultRecord, place: ResultPlace, out: Path, beside: Beside | None = None
         ) -> None:
    """Draw the plots and the report of a result, page before paper, and put them beside it."""
    from calib.cli.results import drawn_files, number_files
    from calib.run.complaints import InputError
    from calib.run.result_folder import add_to_result

    drawn, numbers = drawn_files(document, beside), number_files(document)
    try:
        with talk.working("Drawing the report, first as a page"):
            told = add_to_result(place, numbers, next(drawn, {}))
        talk.tell_all(told)
        if not told:
            with talk.working("The page is drawn. Setting it as a PDF"):
                for files in drawn:
                    add_to_result(place, numbers, files)
    except InputError as error:
        talk.tell_all(error.complaints)
        talk.tell("The numbers are written, the report is not. To draw it again: "
                  f"calib report {_typed(out)}")
        raise typer.Exit(talk.INPUT) from None
    talk.tell(f"The report is in {out}")


def next_commands(document: ResultRecord, run: Path, out: Path) -> list[str]:
    """What to do next, each with the command to type.

    Parameters
    ----------
    document : ResultRecord
        Of result.json.
    run, out : Path
        The run folder and where the result is.
    """
    from calib.cli.onward import known_with, solved_with
    from calib.document.decision import Decision
    from calib.judge.set_aside import NONE, SUSPECTS
    from calib.run.folder import ENTRIES, TAPE

    if document.decision is Decision.ENTER:
        return [f"To print what to enter: calib sheet {_typed(out)}"]
    if document.to_tape is not None and document.decision is Decision.NOT_YET:
        return [f"Once {document.to_tape.name} is in {_typed(run / TAPE)}: "
                f"{shlex.join(('calib', 'solve', str(run), *solved_with(document)))}"]
    if document.verdict.passed and document.entries is not None and document.entries.complete:
        return [f"Once {_typed(run / ENTRIES)} is put right: "
                f"{shlex.join(('calib', 'solve', str(run), *solved_with(document)))}"]
    if document.verdict.passed:
        return [f"To see what the list lacks: calib entries check {_typed(run / ENTRIES)} "
                f"{_typed(run)}"]
    failed = set(document.verdict.failed)
    choice = document.set_aside.choice
    known = "".join(f" {quote(word)}" for word in known_with(document))
    lines = []
    if failed & {"global test", "held-out poses", "suspects", "survey scale", "systematic errors"}:
        lines.append(f"To look for the mistake: calib diagnose {_typed(run)}{known}")
    if "suspects" in failed and not document.verdict.explained:
        names = [s.name for s in document.suspects if s.beyond_chance]
        both = SUSPECTS if choice == NONE else ",".join([
            *(v.name for v in document.set_aside.values), *names])
        beside = out.parent / f"{out.name}-without"
        lines.append(f"To solve without the suspects: calib solve {_typed(run)}{known} "
                     f"--set-aside {quote(both)} --out {_typed(beside)}")
    if failed & {"edge", "correlation"}:
        lines.append("To know which poses to add: "
                     + shlex.join(("calib", "next", str(run), *solved_with(document))))
    if failed & {"check shots", "check-shot offset"}:
        lines.append(f"To see each check shot: calib check {_typed(out)}")
    return lines


def _typed(path):
    """A path as the shell takes it."""
    return quote(str(path))


def _size(run: Run) -> str:
    poses, check = len(set(run.shots.pose.tolist())), 0 if run.check is None else len(run.check)
    beside = f", and {check} check shots" if check else ""
    return f"Solving {len(run.shots)} shots in {poses} poses{beside}"
