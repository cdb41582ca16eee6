"""``calib confirm``: what the machine's own display shows, against what was to be typed."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli import talk
from calib.cli.onward import above, follow_on

if TYPE_CHECKING:
    from calib.confirm.displayed import Posed
    from calib.confirm.proof import Proof
    from calib.document.confirmed import Confirmation
    from calib.document.record import ResultRecord
    from calib.report.blocks import Section
    from calib.results import Result
    from calib.run.shown import Shown

#: Poses looked at, of which those are named that are clear of the ground.
_POSES = 4000


def confirm(
    result: Annotated[Path, typer.Argument(help="result.json, or the folder it is in.")],
    shown: Annotated[Path | None, typer.Argument(
        metavar="SHOWN", help="shown.csv: pose, target, forward, left, up (or east, north, up), "
        "and the readings; without it one to fill in is printed, with poses that tell most.")
    ] = None,
    entries: Annotated[
        Path | None, typer.Option("--entries", metavar="FILE", help="What was to be typed, if not "
                                  "the list kept in the result.")] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Also write confirm.html and confirm.json there.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Prove by the machine's own display that the values were typed right, or say which is not.

    Ends with status 0 if the display agrees, no slip that matters is left open and the result is
    one to be entered, else with 6.
    """
    from calib.cli.sheet import changed_list, with_list
    from calib.cli.told import tell_found
    from calib.report.pages.report import foot
    from calib.report.words.job import below_title
    from calib.report.words.status import not_to_enter
    from calib.results import load_result

    read = load_result(result)
    document = read.document if entries is None else with_list(read, entries)
    if entries is None:
        talk.tell_all(changed_list(read))
    listed = () if entries is None else ("--entries", entries)
    if shown is None:
        _to_fill_in(read, document, result, entries)
        return
    if not shown.exists():
        talk.follow_line(f"{shlex.join(map(str, ('calib', 'confirm', result, *listed)))} > "
                         + shlex.quote(str(shown)))
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
        _prove_it(read, document, result, shown, entries)
    else:  # again, once what is told is put right
        talk.follow(*(("history", above(result)) if told.agrees else
                      ("confirm", result, shown, *listed)))
    if warning or not told.agrees:
        raise typer.Exit(talk.GATE_FAILED)


def _to_fill_in(read, document, result, entries):
    """Print a file for what the display shows, with the poses that prove the list."""
    from calib.report.pages.confirmed import blank_shown
    from calib.report.words.slip import proof_says
    from calib.report.words.status import not_to_enter

    with talk.working("Looking for the poses that prove it"):
        found = provable(read, document)
    talk.result(blank_shown(read.rig, found))
    talk.tell(proof_says(found))
    if warning := not_to_enter(document):
        talk.tell(warning)
        follow_on(document, result, entries)
        return
    listed = () if entries is None else ("--entries", entries)
    folder = result if result.is_dir() else result.parent
    talk.follow_printed(["confirm", result, *listed], folder.parent / "shown.csv",
                        lambda kept: ["confirm", result, kept, *listed])


def _prove_it(read, document, result, shown, entries):
    """Lead to poses that prove the list; where those were shown, or none do, to the list."""
    import numpy as np

    from calib.confirm.proof import DRIVEN
    from calib.report.words.slip import own_says, proof_says
    from calib.run.folder import ENTRIES
    from calib.run.shown import read_shown_file

    with talk.working("Looking for the poses that prove it"):
        found = provable(read, document)
    named = found.envelope.offered.readings[found.nodes]
    seen = read_shown_file(shown, read.rig)[0].readings
    off = np.abs(np.angle(np.exp(1j * (named[:, None] - seen)))).max(axis=2)
    if found.proves and not (off.min(axis=1) <= 1.5 * DRIVEN).all():
        listed = () if entries is None else ("--entries", entries)
        talk.tell(proof_says(found))
        talk.follow_printed(
            ["confirm", result, *listed],
            shown.with_name(f"{shown.stem}-{len(named)}-poses{shown.suffix}"),
            lambda kept: ["confirm", result, kept, *listed])
        return
    talk.tell(own_says(document))
    run = (result if result.is_dir() else result.parent).absolute().parent
    talk.follow(*(("entries", "check", entries or run / ENTRIES, run)
                  if document.entries is not None else ("plan", run)))


def confirmed(read: Result, document: ResultRecord, shown: Path
              ) -> tuple[Confirmation, list[Section], tuple[str, ...]]:
    """What a file of the display shows against what was to be typed, told; and notices."""
    from calib.confirm.confirmed import confirm as find
    from calib.report.pages.confirmed import confirmation, confirmed_sections, sheet_of
    from calib.report.words.slip import stand_says
    from calib.run.shown import read_shown_file

    seen, notices = read_shown_file(shown, read.rig)
    with talk.working(f"Trying what may have been mistyped; poses shown: {len(seen.poses)}"):
        poses = _posed(read, seen, shown)
        found = find(read.rig, sheet_of(document), read.values_si, seen.displayed(), poses,
                     document.goal.edge, document.goal.within95 or 0.0, _drivable(read))
    told = confirmation(found)
    return told, confirmed_sections(told, seen.on_site), (*notices, *map(stand_says, poses.fitted))


def _posed(read: Result, seen: Shown, file: Path) -> Posed:
    """The poses of the display, from readings or from shots."""
    import numpy as np

    from calib.confirm.posed import NoPosture, posed
    from calib.run.complaints import InputError

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
    from calib.confirm.proof import proof
    from calib.report.pages.confirmed import sheet_of

    goal = document.goal
    return proof(read.rig, sheet_of(document), read.values_si, goal.edge, goal.within95 or 0.0,
                 _drivable(read))


def _drivable(read):
    """Joint angles of poses that a plan would ask for, wherever the instrument is, (n, k), rad."""
    from calib.edge import edge_points
    from calib.plan.candidates import NoPose, candidate_poses
    from calib.plan.sight import Site

    try:
        return candidate_poses(read.rig, read.values_si, edge_points(read.rig),
                               Site(instrument=None), count=_POSES).joints
    except NoPose as error:
        return error.candidates.joints
