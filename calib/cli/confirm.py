"""``calib confirm``: what the machine's own display shows, against what was to be typed."""

import shlex
from pathlib import Path

import numpy as np
import typer

from calib.cli.onward import above, follow_on, listed_in
from calib.cli.told import tell_found
from calib.confirm.confirmed import confirm as find
from calib.confirm.displayed import Posed
from calib.confirm.posed import NoPosture, posed
from calib.confirm.proof import DRIVEN, Proof, proof
from calib.console import talk
from calib.document.confirmed import Confirmation
from calib.document.record import ResultRecord
from calib.edge import edge_points
from calib.plan.candidates import NoPose, candidate_poses
from calib.plan.sight import Site
from calib.report.blocks import Section
from calib.report.entered import with_entries
from calib.report.pages.confirmed import blank_shown, confirmation, confirmed_sections, sheet_of
from calib.report.pages.report import foot
from calib.report.words.job import below_title
from calib.report.words.slip import own_says, proof_says, stand_says
from calib.report.words.status import not_to_enter
from calib.results import Result, load_result
from calib.run.complaints import InputError
from calib.run.entries_file import read_entries_file
from calib.run.folder import ENTRIES
from calib.run.shown import Shown, read_shown_file

#: Poses looked at, of which those are named that are clear of the ground.
_POSES = 4000


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
    # Typed right is not yet right: what was typed may be of a result that is not to be entered.
    warning = not_to_enter(document)
    talk.tell_all(filter(None, (warning,)))
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


def confirmed(read: Result, document: ResultRecord, shown: Path
              ) -> tuple[Confirmation, list[Section], tuple[str, ...]]:
    """What a file of the display shows against what was to be typed, told; and notices."""
    seen, notices = read_shown_file(shown, read.rig)
    with talk.working(f"Trying what may have been mistyped; poses shown: {len(seen.poses)}"):
        poses = _posed(read, seen, shown)
        found = find(read.rig, sheet_of(document), read.values_si, seen.displayed(), poses,
                     document.goal.edge, document.goal.within95 or 0.0, _drivable(read))
    told = confirmation(found)
    return told, confirmed_sections(told, seen.on_site), (*notices, *map(stand_says, poses.fitted))


def _posed(read: Result, seen: Shown, file: Path) -> Posed:
    """The poses of the display, from readings or from shots."""
    places = {s.name: np.array([s.east, s.north, s.up, np.radians(s.heading)])
              for s in read.document.stands}
    try:
        return posed(read.rig, seen, read.values_si, read.covariance_si, places)
    except NoPosture as error:
        line = int(seen.line[seen.pose == seen.poses.index(error.pose)][0])
        raise InputError.of(
            file.name, f"pose {error.pose} without readings, and {error}",
            "the readings of the pose, or shots from a stand of the result where the machine still "
            "is (column stand), or in a new stand the pins of boom foot, stick and bucket as well "
            "as the edge, in any level coordinates", line=line) from None


def provable(read: Result, document: ResultRecord) -> Proof:
    """What a display of a result's values would prove."""
    goal = document.goal
    with talk.working("Looking for the poses that prove it"):
        return proof(read.rig, sheet_of(document), read.values_si, goal.edge, goal.within95 or 0.0,
                     _drivable(read))


def _drivable(read):
    """Joint angles of poses that a plan would ask for, wherever the instrument is, (n, k), rad."""
    try:
        return candidate_poses(read.rig, read.values_si, edge_points(read.rig),
                               Site(instrument=None), count=_POSES).joints
    except NoPose as error:
        return error.candidates.joints


def with_list(read: Result, file: Path | None) -> ResultRecord:
    """The document with the list of a file; without one that which the result keeps.

    Said where the list of the run folder is another by now.
    """
    if file is not None:
        return with_entries(read.document, read_entries_file(file, read.rig))
    own, kept = read.path.absolute().parent.parent / ENTRIES, read.document.entries
    if own.is_file() and (own.parent / "rig.toml").is_file():
        try:
            same = kept and read_entries_file(own, read.rig).definition == kept.definition
        except InputError:
            same = False
        if not same:
            talk.tell(f"{own} is not what this result keeps of it: name it with --entries, or "
                      "solve again.")
    return read.document
