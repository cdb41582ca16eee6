"""``calib confirm``: what the machine's own display shows, against what was to be typed."""

import shlex
from pathlib import Path

import numpy as np
import typer

from calib.cli.onward import above, follow_on, listed_in
from calib.cli.told import tell_found
from calib.confirm.proof import DRIVEN
from calib.console import talk
from calib.operations.proved import confirmed, provable, with_list
from calib.report.pages.confirmed import blank_shown
from calib.report.pages.report import foot
from calib.report.words.job import below_title
from calib.report.words.slip import own_says, proof_says
from calib.report.words.status import not_to_enter
from calib.results import load_result
from calib.run.folder import ENTRIES
from calib.run.shown import read_shown_file


def confirm(result: Path, shown: Path | None, entries: Path | None, out: Path | None, json: bool
            ) -> None:
    """Print poses to show, or say what the display shows of what was typed."""
    read = load_result(result)
    document = with_list(read, entries)
    again = ("confirm", result, *listed_in(entries))
    if shown is None:
        _to_fill_in(read, document, again, entries)
        return
    if not shown.exists():
        talk.follow_line(f"{talk.command(*again)} > {shlex.quote(str(shown))}")
    told, sections, notices = confirmed(read, document, shown)
    talk.tell_all(notices)
    tell_found("confirm", told, sections, "Typed right?",
               document.job.machine or document.rig.title, out, json, foot=foot(document),
               job=below_title(document))
    warning = not_to_enter(document)  # stands above the answer
    if json and warning:
        talk.tell(warning)
    if told.agrees and warning:
        follow_on(document, result, entries)
    elif told.status == "not proven":
        _prove_it(read, document, again, shown, entries)
    elif told.agrees:
        talk.follow("history", above(result))
    else:  # again, once what is told is put right
        talk.follow(*_with_shown(again, shown))
    if warning or not told.agrees:
        raise typer.Exit(talk.GATE_FAILED)


def _with_shown(again, shown):
    """The words of the same command with what was shown."""
    return *again[:2], shown, *again[2:]


def _to_fill_in(read, document, again, entries):
    """Print a file for what the display shows, with the poses that prove the list."""
    found = provable(read, document)
    talk.result(blank_shown(read.rig, found))
    talk.tell(proof_says(found))
    if warning := not_to_enter(document):
        talk.tell(warning)
        follow_on(document, again[1], entries)
        return
    talk.follow_printed(again, read.path.parent.parent / "shown.csv",
                        lambda kept: _with_shown(again, kept))


def _prove_it(read, document, again, shown, entries):
    """Lead to poses that prove the list; where those were shown, or none do, to the list."""
    found = provable(read, document)
    named = found.envelope.offered.readings[found.nodes]
    seen = read_shown_file(shown, read.rig)[0].readings
    off = np.abs(np.angle(np.exp(1j * (named[:, None] - seen)))).max(axis=2)
    if found.proves and not (off.min(axis=1) <= 1.5 * DRIVEN).all():
        talk.tell(proof_says(found))
        talk.follow_printed(
            again, shown.with_name(f"{shown.stem}-{len(named)}-poses{shown.suffix}"),
            lambda kept: _with_shown(again, kept))
        return
    talk.tell(own_says(document))
    run = read.path.absolute().parent.parent
    talk.follow(*(("entries", "check", entries or run / ENTRIES, run)
                  if document.entries is not None else ("plan", run)))
