"""All that one import is: files and declarations in, the files of a run folder out."""

import shlex
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from calib.chain.rig import Rig
from calib.intake.choices import Doubtful, what_is
from calib.intake.declaration import PERSON, Declaration
from calib.intake.files.columns import SKIP
from calib.intake.files.ids import spelt_as
from calib.intake.files.pointings import Pointings, read_observations
from calib.intake.files.points import read_points, to_site
from calib.intake.files.times import TimeText
from calib.intake.geometry.polar import PolarShots
from calib.intake.matching.backsights import judge_set_ups
from calib.intake.matching.booking import Booking, complain_of_unfound, read_booking
from calib.intake.matching.conversion import (
    conversion_in_words,
    scale_in_words,
    scale_point,
    shots_of_pointings,
    shots_of_points,
)
from calib.intake.matching.field_shots import (
    FieldShot,
    Source,
    note_outlying,
    repeats_choice,
    settle_repeats,
    stands_of,
    tell_copied_shots,
)
from calib.intake.matching.foreseen import exchanged
from calib.intake.matching.known_points import (
    KnownPoints,
    place_set_ups,
    read_given,
    read_known,
)
from calib.intake.matching.on_marks import beside_marks, on_marks
from calib.intake.matching.origin import distance_in_words, settle_origin
from calib.intake.matching.readings import (
    BESIDE,
    Track,
    poses_alike,
    read_log,
    read_sheet,
)
from calib.intake.run_files import Imported
from calib.intake.stand_of_poses import settle_stands
from calib.run.blank import blank_files
from calib.run.complaints import Findings, quote
from calib.run.copies import alike, complain_of_lookalikes
from calib.run.folder import rig_from_text
from calib.run.table import ID, Column, nearest, read_table
from calib.run.text import decode, ordinary

_LARGEST = 50_000_000
_OF_SET_UPS = ["setups.csv", "backsights.csv"]


@dataclass(frozen=True)
class Request:
    """What a person asked for."""

    #: points, check: Files with shots, and with check shots.
    points: tuple[Path, ...]
    into: Path  #: The run folder.
    declared: Declaration
    check: tuple[Path, ...] = ()
    booking: Path | None = None
    sheet: Path | None = None
    log: Path | None = None
    #: Points of a target followed while the machine moved, to estimate the clock offset with.
    track: Path | None = None
    known: Path | None = None
    setups: Path | None = None
    replace: bool = False  #: Whether rows that the run folder holds already may be replaced.
    cautions: tuple[str, ...] = ()  #: For the head of a rig.toml written anew.


def gather_import(request: Request, findings: Findings) -> Imported:
    """Read everything, complain of everything, write nothing.

    Raises
    ------
    InputError
        With every complaint.
    """
    declared = request.declared
    imported = _start(request, findings)
    sheet_of_ids = _read(request.booking, findings, read_booking, declared.targets, findings)
    booking = Booking(declared, sheet_of_ids)
    with_times = request.log is not None
    read = _observed if declared.angles else _pointed
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
    _add_readings(request, imported, findings)
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


def rig_of(into: Path, cautions: Sequence[str], findings: Findings) -> tuple[Rig, str | None]:
    """The rig of a run folder, or that of the standard template's blank and its text.

    Raises
    ------
    InputError
        If rig.toml is at fault.
    """
    path = into / "rig.toml"
    if path.is_file():
        text = _read(path, findings, decode, findings)
        findings.stop_if_at_fault()
        return rig_from_text(text), None
    blank = blank_files(cautions)["rig.toml"]
    return rig_from_text(blank), blank


def _read(path, findings, reader, *more):
    """The content of a small file through its reader; None without one or after a complaint."""
    if path is None:
        return None
    try:
        if path.stat().st_size > _LARGEST:
            findings.complain(path.name, None, None, f"{path.stat().st_size / 1e6:,.0f} MB",
                              f"at most {_LARGEST / 1e6:,.0f} MB (only a log may be larger)")
            return None
        data = ordinary(path).read_bytes()
    except OSError as error:
        findings.complain(str(path), None, None, (error.strerror or str(error)).lower(),
                          "a file that you may read")
        return None
    return reader(data, path.name, *more)


def _read_both(request, findings, reader, *more):
    """The files of shots and those of check shots, those without a complaint."""
    return [[found for path in paths
             if (found := _read(path, findings, reader, *more)) is not None]
            for paths in (request.points, request.check)]


def _pointed(request, imported, booking, with_times, findings):
    """Shots and check shots from point files."""
    declared = request.declared
    for option, path in (("--known", request.known), ("--setups", request.setups)):
        if path is not None:
            findings.complain(path.name, None, None, f"a file for {option}",
                              "raw observations with it (--angles)")
    found = _read_both(request, findings, read_points, declared, findings,
                       _beside(request, imported.rig))
    files = [f for group in found for f in group]
    if not files or any(np.isnan(f.position).any() for f in files):
        return [], []
    _note_same_file(files, findings)
    everything = np.vstack([f.position for f in files])
    if declared.frame == "geographic":
        declared = settle_origin(everything, declared, imported.rig, findings)
        imported.understood.append(distance_in_words(everything, declared))
    about = scale_point(everything, declared)
    imported.understood += [f"{f.file}: {len(f)} points; {f.understood}" for f in files]
    imported.understood.append(conversion_in_words(declared, about))
    if about is not None:
        imported.understood.append(scale_in_words(declared))
        if declared.about is None:
            findings.note("--about", "not given: the middle of these points keeps its grid "
                          f"coordinates. Say --about {about[0]:.3f},{about[1]:.3f} for everything "
                          "that is to fit to this import")
    return [[shot for f in group
             for shot in shots_of_points(f, declared, about, booking, with_times, findings)]
            for group in found]


def _beside(request, rig):
    """The headings of readings that stand in the rows of the shots."""
    called = request.declared.log.readings
    return [called.get(name, name) for name in rig.reading_names] \
        if request.sheet in request.points else []


def _note_same_file(files, findings):
    hashes: dict[str, str] = {}
    for f in files:
        if f.sha256 in hashes:
            findings.complain(f.file, None, None, f"the same content as {hashes[f.sha256]}",
                              "each file once")
        hashes[f.sha256] = f.file


def _observed(request, imported, booking, with_times, findings):
    """Shots and check shots from raw observations."""
    declared = request.declared
    known = _read(request.known, findings, read_known, declared.unit, findings)
    given = _read(request.setups, findings, read_given, declared.unit, declared.setup_sds(),
                  findings) or {}
    beforehand = len(findings.complaints)
    beside = _beside(request, imported.rig)
    found = _read_both(request, findings, read_observations, declared, findings, beside)
    files = [f for group in found for f in group]
    # Pointings with a complaint about their angles: the backsights may tell what is wrong.
    if beforehand or len(files) < len(request.points) + len(request.check):
        return [], []
    _note_same_file(files, findings)
    if declared.instrument.silent:
        findings.note("--instrument", f"nothing said of what the person and the pole add: {PERSON} "
                      "in each axis is taken (common practice, no source); another: --instrument "
                      '"pointing=1 mm"')
    if declared.frame == "grid":
        known, given = _grounded(known, given, declared, imported, findings)
    imported.understood += [f"{f.file}: {len(f)} pointings; {f.understood}" for f in files]
    everything = _joined(files)
    _compare_ids(files, known, findings)
    for name in given:
        if name not in everything.setup:
            findings.note(request.setups.name, f"set-up {quote(name)} has no observations")
    given = on_marks(everything, known, given, declared.setup_sds(), findings)
    imported.placed, imported.backsights = place_set_ups(
        everything, known, given, declared.instrument.sds(), findings)
    imported.understood += judge_set_ups(
        everything, known, given, imported.placed, declared.instrument.sds(), declared.angles,
        lambda angles: _reread(request, angles, beside), findings)
    imported.understood += beside_marks(everything, known, given, declared.instrument.sds())
    known_ids = () if known is None else known.ids
    imported.sights = [
        (f"{f.setup[i]} {f.ids[i]}", Source(f.file, f.lines[i], f.sha256, f.raw[i],
                                            "polar from set-up"))
        for f in files for i in range(len(f)) if f.ids[i] in known_ids]
    return [[shot for f in group
             for shot in shots_of_pointings(f, declared, imported.placed, known_ids, booking,
                                            with_times, findings)]
            for group in found]


def _reread(request, angles, beside):
    """All pointings with their angles in another unit; None if they cannot be."""
    declared, unheard = request.declared.model_copy(update={"angles": angles}), Findings()
    shots, check = _read_both(request, unheard, read_observations, declared, unheard, beside)
    return None if unheard.complaints else _joined(shots + check)


def _compare_ids(files, known, findings):
    """Set-ups, and points and known points, that differ only in capitals or spaces."""
    where = [(f.file, f.lines[i][0], f.setup[i], f.ids[i]) for f in files for i in range(len(f))]
    file, line, setup, ids = zip(*where, strict=True)
    complain_of_lookalikes(setup, file, line, "setup", findings)
    if known is not None:
        names = [name if any(alike(name, k) for k in known.ids) else "" for name in ids]
        complain_of_lookalikes([*known.ids, *names], [known.file] * len(known.ids) + list(file),
                               [0] * len(known.ids) + list(line), "point", findings)


def _grounded(known, given, declared, imported, findings):
    """Known points and set-ups from the grid to the ground."""
    if given and declared.about is None:
        findings.complain("--about", None, None, "nothing", "EAST,NORTH of the point that keeps "
                          "its coordinates, when set-ups are given on the grid")
        return known, given
    if known is None:
        return known, given
    about = scale_point(known.position, declared)
    imported.understood += [scale_in_words(declared), conversion_in_words(declared, about)]
    ground = KnownPoints(known.file, known.ids, to_site(known.position, declared, about),
                         known.sd)
    moved = {}
    for name, prior in given.items():
        value = prior.value.copy()
        value[:3] = to_site(value[None, :3], declared, about)[0]
        moved[name] = type(prior)(value, prior.sd)
    return ground, moved


def _joined(files: list[Pointings]) -> Pointings:
    """All pointings in one, for the set-ups."""
    columns: dict[str, Any] = {
        name: sum((getattr(f, name) for f in files), ())
        for name in ("setup", "ids", "time", "description", "pose", "target", "lines", "raw")}
    polar = zip(*(vars(f.polar).values() for f in files), strict=True)
    return replace(files[0], polar=PolarShots(*map(np.concatenate, polar)),
                   instrument_height=np.concatenate([f.instrument_height for f in files]),
                   **columns)


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


def _add_readings(request, imported, findings):
    shots = imported.shots + imported.check
    if request.sheet is not None:
        log = request.declared.log
        shot_in = {line: shot.booked.pose for shot in shots for source in shot.sources
                   for line in source.lines} if request.sheet in request.points else None
        imported.readings = _read(request.sheet, findings, read_sheet, imported.rig, log.readings,
                                  findings, shot_in, log.still) or {}
        poses = _as_on_sheet(request.sheet.name, imported, imported.readings, findings)
        without = [pose for pose in imported.readings if pose not in poses]
        if without:
            findings.note(request.sheet.name, "poses without shots: " + ", ".join(
                quote(pose) for pose in without[:8]) + (", ..." if len(without) > 8 else ""))
    elif request.log is not None:
        track = _read(request.track, findings, _track_of, request.declared, findings)
        try:
            imported.readings, imported.clock = read_log(
                request.log, imported.rig, request.declared.log, shots, track, findings)
            uncertain = [pose for pose, of in imported.readings.items() if np.isfinite(of.sd).any()]
            if uncertain:
                imported.left_open.append(
                    f"the machine moved while {len(uncertain)} pose(s) were shot "
                    f"({', '.join(uncertain)}): their readings are as uncertain as it moved")
            same = poses_alike(imported.readings, imported.rig, request.declared.log.still)
            if same:
                imported.left_open.append(
                    f"{len(same)} poses have the readings of another in {request.log.name} "
                    f"({', '.join(same[:8])}{', ...' if len(same) > 8 else ''}): did the machine "
                    "not move between them, or is the time zone or the clock offset wrong?")
        except OSError as error:
            findings.complain(str(request.log), None, None,
                              (error.strerror or str(error)).lower(), "a log that you may read")
    elif len(_content(request.into / "readings.csv")) > 1:
        _keep_readings(request.into / "readings.csv", imported, findings)
    else:
        findings.note("readings.csv", "no readings given (--log or --sheet): the poses are listed "
                      "there, the readings must be filled in by hand")


def _as_on_sheet(file, imported, there, findings):
    """The poses shot, written as the sheet writes them; each must be there."""
    spelt = spelt_as(imported.stands, there)
    if spelt:
        one, other = next(iter(spelt.items()))
        findings.note(file, f"{len(spelt)} pose(s) of the shots are written as here: "
                      f"{quote(one)} is {quote(other)}")
        imported.shots, imported.check = (
            [replace(shot, booked=replace(shot.booked, pose=spelt.get(shot.booked.pose,
                                                                      shot.booked.pose)))
             for shot in shots] for shots in (imported.shots, imported.check))
        imported.stands = {spelt.get(pose, pose): stand for pose, stand in imported.stands.items()}
    for pose in imported.stands:
        if pose not in there:
            findings.complain(file, None, "pose", f"no row for pose {quote(pose)}",
                              f"one for every pose shot{nearest(pose, there)}")
    return imported.stands


def _track_of(data, file, declared, findings):
    """A track from a point file written like the others; None after a complaint."""
    points = read_points(data, file, declared, findings)
    if points is None or findings.complaints:
        return None
    if declared.frame == "geographic":
        # Only its speed is used: any origin near will do.
        declared = declared.model_copy(update={"origin": tuple(
            np.append(np.degrees(points.position[0, :2]), points.position[0, 2]))})
    times, seconds = declared.times(), []
    for (line,), text in zip(points.lines, points.time, strict=True):
        try:
            seconds.append(times.parse(text))
        except TimeText as error:
            findings.complain(file, line, "time", quote(text), str(error))
    if findings.complaints:
        return None
    about = scale_point(points.position, declared)
    return Track(np.array(seconds), to_site(points.position, declared, about))


def _keep_readings(path, imported, findings):
    """The run folder's own readings stay; every pose must have a row there."""
    columns = [Column("pose", ID), Column("stand", ID)]
    table = read_table(path.read_bytes().decode("utf-8-sig", "replace"), path.name, columns,
                       findings, note_extra=False)
    if table is None:
        return
    imported.kept_readings = True
    there = dict(zip(table.texts["pose"], table.texts["stand"], strict=True))
    for pose in _as_on_sheet(path.name, imported, there, findings):
        imported.stands[pose] = there.get(pose, imported.stands[pose])
    findings.note(path.name, "kept as it is in the run folder")


def _refuse_existing(request, findings):
    """Rows in the run folder that the import would write over."""
    written = ["shots.csv", *(["check.csv"] if request.check else [])]
    if request.sheet is not None or request.log is not None:
        written.append("readings.csv")
    if request.declared.angles:
        written += _OF_SET_UPS
    for name in written:
        count = len(_content(request.into / name)) - 1
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


def _content(path):
    """The lines of a file that say something: header and rows."""
    if not path.is_file():
        return []
    text = path.read_bytes().decode("utf-8-sig", "replace")
    lines = (line.strip() for line in text.splitlines())
    return [line for line in lines if line and not line.startswith("#")]
