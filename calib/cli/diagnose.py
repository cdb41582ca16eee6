"""``calib diagnose``: which field mistake makes a run not fit."""

from dataclasses import replace
from pathlib import Path

import typer

from calib.calibration import solve
from calib.console import talk
from calib.document.diagnosed import Applied, Figures
from calib.judge.explain import Explanation, explain
from calib.judge.goal import edge_known
from calib.judge.mend import figures, mended
from calib.operations.known_machine import run_with_machine
from calib.report.pages.diagnosis import diagnosis_document, diagnosis_text
from calib.report.words.mistake import told
from calib.run.export import corrected_files
from calib.run.folder import read_run
from calib.run.records import Run
from calib.run.write import refuse_filled, write_new_folder


def diagnose(run: Path, apply: Path | None, machine: Path | None, json: bool) -> None:
    """Say what went wrong in a run, and write a copy without it."""
    if apply is not None:
        if (apply / "rig.toml").is_file():  # corrected already: this is refused, the copy goes on
            talk.follow("solve", apply)
        refuse_filled(apply)
    data = _read(run, machine)
    talk.tell_all(data.notices)
    with talk.working("Trying what may have gone wrong"):
        found = explain(data)
    applied = None if apply is None else _apply(data, machine, found, apply)
    copy = apply if applied else None
    known = ("--machine", machine) if machine else ()
    document = diagnosis_document(
        found, _next(run, known, found, copy, _short(data, found)), applied)
    talk.answer(document, diagnosis_text(document), json)
    talk.follow_line(document.next[0])
    if not document.fits:
        raise typer.Exit(talk.GATE_FAILED)


def _read(run: Path, machine: Path | None) -> Run:
    data = read_run(run, unfinished=machine is not None)
    return data if machine is None else run_with_machine(data, machine)


def _short(data, found: Explanation) -> bool:
    """Whether the run lacks shots: nothing to check it with, or an edge short of the goal."""
    if not found.fits:
        return found.as_it_is.dof <= 0
    return not edge_known(solve(data), ()).met


def _apply(data: Run, machine: Path | None, found: Explanation, folder: Path) -> Applied | None:
    """Write the corrected copy; the record of it, or None if there is nothing to correct."""
    mistake = None if found.claimed is None else found.claimed.mistake
    if mistake is None:
        talk.tell(f"No corrected copy was written to {folder}: no mistake with an edit was found.")
        return None
    with talk.working(f"Writing a corrected copy to {folder}"):
        words = told(mistake.fact)
        remark = (f"Corrected by calib diagnose from {data.folder}. {words.says} "
                  f"What was done: {words.edit}")
        corrected = mended(data, mistake)
        if corrected.tape is not data.tape:  # what is in an earlier result is taped all the same
            corrected = replace(corrected, tape=corrected.tape.joined(data.unused))
        write_new_folder(folder, corrected_files(data, corrected, remark))
        before, after = figures(data, passed=False), figures(_read(folder, machine), mistake.aside)
    return Applied(folder=str(folder), before=Figures.like(before),
                   after=Figures.like(after))


def _next(run: Path, known: tuple, found: Explanation, copy: Path | None, short: bool
          ) -> list[str]:
    """What to type next; `short` of shots is a run that tells the edge too little, or nothing.

    `known` is the option that names the earlier result of the machine, or nothing.
    """
    if found.cause is None or found.cause.mistake is None:
        return [talk.command("next", run, *known) if short else
                talk.command("solve", run, *known) if found.fits or known else
                talk.command("explore", run)]
    aside = found.cause.mistake.aside
    without = ("--set-aside", ",".join(aside)) if aside else ()
    if found.single_values is not None:  # the result with them stays to compare
        return [talk.command("solve", run, *known, *without, "--out", run / "result-without")]
    name = run.resolve()
    there = copy or name.with_name(f"{name.name}-corrected")
    solved = talk.command("solve", there, *known, *without)
    return [solved] if copy else [talk.command("diagnose", run, *known, "--apply", there), solved]
