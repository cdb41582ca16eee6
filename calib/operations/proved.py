"""What a machine's display shows, or would, of what was to be typed of a result."""

from pathlib import Path

import numpy as np

from calib.confirm.confirmed import confirm
from calib.confirm.displayed import Posed
from calib.confirm.posed import NoPosture, posed
from calib.confirm.proof import Proof, proof
from calib.console import talk
from calib.document.confirmed import Confirmation
from calib.document.record import ResultRecord
from calib.edge import edge_points
from calib.plan.candidates import NoPose, candidate_poses
from calib.plan.sight import Site
from calib.report.blocks import Section
from calib.report.entered import with_entries
from calib.report.pages.confirmed import confirmation, confirmed_sections, sheet_of
from calib.report.words.slip import stand_says
from calib.report.words.status import not_to_enter
from calib.results import Result
from calib.run.complaints import InputError
from calib.run.entries_file import read_entries_file
from calib.run.folder import ENTRIES
from calib.run.shown import Shown, read_shown_file

#: Poses looked at, of which those are named that are clear of the ground.
_POSES = 4000


def confirmed(read: Result, document: ResultRecord, shown: Path
              ) -> tuple[Confirmation, list[Section], tuple[str, ...]]:
    """What a file of the display shows against what was to be typed, told; and notices."""
    seen, notices = read_shown_file(shown, read.rig)
    with talk.working(f"Trying what may have been mistyped; poses shown: {len(seen.poses)}"):
        poses = _posed(read, seen, shown)
        found = confirm(read.rig, sheet_of(document), read.values_si, seen.displayed(), poses,
                     document.goal.edge, document.goal.within95 or 0.0, _drivable(read))
    told = confirmation(found)
    sections = confirmed_sections(told, seen.on_site, not_to_enter(document))
    return told, sections, (*notices, *map(stand_says, poses.fitted))


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
