"""All that one import is: files and declarations in, the files of a run folder out."""

import shlex

from calib.intake.choices import Doubtful, what_is
from calib.intake.files.columns import SKIP
from calib.intake.matching.booking import Booking, complain_of_unfound, read_booking
from calib.intake.matching.field_shots import (
    FieldShot,
    note_outlying,
    repeats_choice,
    settle_repeats,
    stands_of,
    tell_copied_shots,
)
from calib.intake.matching.foreseen import exchanged
from calib.intake.matching.readings import BESIDE
from calib.intake.readings_of_files import add_readings
from calib.intake.request import Request, lines_of, read_small, rig_of
from calib.intake.run_files import Imported
from calib.intake.shots_of_files import shots_from_observations, shots_from_points
from calib.intake.stand_of_poses import settle_stands
from calib.run.complaints import Findings, quote
from calib.run.table import nearest

_OF_SET_UPS = ["setups.csv", "backsights.csv"]

#: What an import may find in the run folder that it does not write over unasked.
WRITTEN = ["shots.csv", "check.csv", "readings.csv", *_OF_SET_UPS]


def gather_import(request: Request, findings: Findings) -> Imported:
    """Read everything, complain of everything, write nothing.

    Raises
    ------
    InputError
        With every complaint.
    """
    declared = request.declared
    imported = _start(request, findings)
    sheet_of_ids = read_small(request.booking, findings, read_booking, declared.targets, findings)
    booking = Booking(declared, sheet_of_ids)
    with_times = request.log is not None
    read = shots_from_observations if declared.angles else shots_from_points
    lists = read(request, imported, booking, with_times, findings)
    if sheet_of_ids is not None:
        complain_of_unfound(sheet_of_ids, booking.found, booking.seen, findings)
    if declared.east_north == "exchanged":
        lists = [list(map(exchanged, shots)) for shots in lists]
    sd, before = imported.rig.shot_sd, len(findings.complaints)
    imported.shots, imported.check = (
        settle_repeats(shots, declared.repeats, sd, findings) for shots in lists)
    repeated = findings.complaints[before:]
    both = imported.shots + imported.check
    tell_copied_shots(lists[0] + lists[1] if declared.repeats == "pool" else both, findings)
    before = len(findings.complaints)
    unknown = _unknown_targets(both, imported.rig, findings)
    unmeant = findings.complaints[before:]
    note_outlying(both, findings)
    imported.stands = stands_of(both, declared.stand, findings)
    if not imported.shots and not findings.complaints:
        findings.complain(request.points[0].name, None, None, "no shot among the points",
                          "ids that fit, or a booking sheet that names them")
    _refuse_existing(request, findings)
    if repeated and findings.complaints == repeated:
        raise Doubtful([repeats_choice(lists, sd)], complaints=repeated)
    if booking.unfit and len(findings.complaints) == len(booking.unfit):
        raise Doubtful(booking.unfit_choices(imported.rig.target_names),
                       complaints=findings.complaints)
    if unmeant and findings.complaints == unmeant:
        raise Doubtful([what_is(word, [SKIP, *imported.rig.target_names],
                                "the rig has no target of that name") for word in unknown],
                       complaints=unmeant)
    findings.stop_if_at_fault()
    add_readings(request, imported, findings)
    findings.stop_if_at_fault()
    settle_stands(imported, declared, findings)
    _refuse_stale(request, imported, findings)
    findings.stop_if_at_fault()
    return imported


def _start(request, findings):
    rig, text = rig_of(request.into, request.cautions, findings)
    if text is not None:
        findings.note("rig.toml", "none in the run folder yet: one is written for the standard "
                      "tilt_rotator, with sds to be replaced by yours")
    for name in request.declared.log.readings:
        if name not in (*rig.reading_names, *BESIDE):
            findings.complain("--reading", None, None, quote(name), "a reading of the rig, or of a "
                              f"sheet {', '.join(BESIDE)}: {', '.join(rig.reading_names)}")
    return Imported(rig, text)


def _unknown_targets(shots, rig, findings):
    """Words for targets that are none of the rig; complains of each."""
    first: dict[str, FieldShot] = {}
    for shot in shots:
        if shot.booked.target not in rig.target_names:
            first.setdefault(shot.booked.target, shot)
    for target, shot in first.items():
        hint = nearest(target, rig.target_names) or ": " + ", ".join(rig.target_names)
        findings.complain(shot.file, shot.line, "target", quote(target),
                          f"a target of the rig{hint} (--target {shlex.quote(f'{target}=TARGET')})")
    return [*first]


def _refuse_existing(request, findings):
    """Rows in the run folder that the import would write over."""
    written = ["shots.csv", *(["check.csv"] if request.check else [])]
    if request.sheet is not None or request.log is not None:
        written.append("readings.csv")
    if request.declared.angles:
        written += _OF_SET_UPS
    for name in written:
        count = len(lines_of(request.into / name)) - 1
        if count > 0 and not request.replace:
            findings.complain(str(request.into / name), None, None, f"{count} rows already",
                              "a file without rows (--replace writes over it)")


def _refuse_stale(request, imported, findings):
    """Files of another import that would go with this one though they do not belong to it."""
    for name in set(_OF_SET_UPS) - set(imported.files()):
        if (request.into / name).exists():
            findings.complain(str(request.into / name), None, None, "set-ups of another import",
                              "no such file: these shots have none (delete it, or import into a "
                              "new folder)")
