"""Readings of the poses that were shot: of a sheet, of a log, or those in the run folder."""

from dataclasses import replace

import numpy as np

from calib.intake.files.ids import spelt_as
from calib.intake.files.points import read_points, to_site
from calib.intake.files.times import TimeText
from calib.intake.matching.conversion import scale_point
from calib.intake.matching.readings import Track, poses_alike, read_log, read_sheet
from calib.intake.request import Request, lines_of, read_small
from calib.intake.run_files import Imported
from calib.run.complaints import Findings, quote
from calib.run.table import ID, Column, nearest, read_table


def add_readings(request: Request, imported: Imported, findings: Findings) -> None:
    """Add the readings of the poses shot; where none are given keep those of the run folder."""
    shots = imported.shots + imported.check
    if request.sheet is not None:
        log = request.declared.log
        shot_in = {line: shot.booked.pose for shot in shots for source in shot.sources
                   for line in source.lines} if request.sheet in request.points else None
        imported.readings = read_small(request.sheet, findings, read_sheet, imported.rig,
                                       log.readings, findings, shot_in, log.still) or {}
        poses = _as_on_sheet(request.sheet.name, imported, imported.readings, findings)
        without = [pose for pose in imported.readings if pose not in poses]
        if without:
            findings.note(request.sheet.name, "poses without shots: " + ", ".join(
                quote(pose) for pose in without[:8]) + (", ..." if len(without) > 8 else ""))
    elif request.log is not None:
        track = read_small(request.track, findings, _track_of, request.declared, findings)
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
    elif len(lines_of(request.into / "readings.csv")) > 1:
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
