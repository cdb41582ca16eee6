"""Field files of shots, read: points, or raw observations with the set-ups they place."""

from dataclasses import replace
from typing import Any

import numpy as np

from calib.intake.declaration import PERSON
from calib.intake.files.pointings import Pointings, read_observations
from calib.intake.files.points import read_points, to_site
from calib.intake.geometry.polar import PolarShots
from calib.intake.matching.backsights import judge_set_ups
from calib.intake.matching.booking import Booking
from calib.intake.matching.conversion import (
    conversion_in_words,
    scale_in_words,
    scale_point,
    shots_of_pointings,
    shots_of_points,
)
from calib.intake.matching.field_shots import FieldShot, Source
from calib.intake.matching.known_points import KnownPoints, place_set_ups, read_given, read_known
from calib.intake.matching.on_marks import beside_marks, on_marks
from calib.intake.matching.origin import distance_in_words, settle_origin
from calib.intake.request import Request, read_small
from calib.intake.run_files import Imported
from calib.run.complaints import Findings, quote
from calib.run.copies import alike, complain_of_lookalikes


def shots_from_points(request: Request, imported: Imported, booking: Booking,
                      with_times: bool, findings: Findings) -> list[list[FieldShot]]:
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
        return [[], []]
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


def shots_from_observations(request: Request, imported: Imported, booking: Booking,
                            with_times: bool, findings: Findings) -> list[list[FieldShot]]:
    """Shots and check shots from raw observations."""
    declared = request.declared
    instrument, angles = declared.instrument, declared.angles
    assert instrument is not None and angles is not None  # else they are no observations
    known = read_small(request.known, findings, read_known, declared.unit, findings)
    given = read_small(request.setups, findings, read_given, declared.unit, declared.setup_sds(),
                       findings) or {}
    beforehand = len(findings.complaints)
    beside = _beside(request, imported.rig)
    found = _read_both(request, findings, read_observations, declared, findings, beside)
    files = [f for group in found for f in group]
    # Pointings with a complaint about their angles: the backsights may tell what is wrong.
    if beforehand or len(files) < len(request.points) + len(request.check):
        return [[], []]
    _note_same_file(files, findings)
    if instrument.silent:
        findings.note("--instrument", f"nothing said of what the person and the pole add: {PERSON} "
                      "in each axis is taken (common practice, no source); another: --instrument "
                      '"pointing=1 mm"')
    if declared.frame == "grid":
        known, given = _grounded(known, given, declared, imported, findings)
    imported.understood += [f"{f.file}: {len(f)} pointings; {f.understood}" for f in files]
    everything = _joined(files)
    _compare_ids(files, known, findings)
    if request.setups is not None:
        for name in given:
            if name not in everything.setup:
                findings.note(request.setups.name, f"set-up {quote(name)} has no observations")
    given = on_marks(everything, known, given, declared.setup_sds(), findings)
    imported.placed, imported.backsights = place_set_ups(
        everything, known, given, instrument.sds(), findings)
    imported.understood += judge_set_ups(
        everything, known, given, imported.placed, instrument.sds(), angles,
        lambda angles: _reread(request, angles, beside), findings)
    imported.understood += beside_marks(everything, known, given, instrument.sds())
    known_ids = () if known is None else known.ids
    imported.sights = [
        (f"{f.setup[i]} {f.ids[i]}", Source(f.file, f.lines[i], f.sha256, f.raw[i],
                                            "polar from set-up"))
        for f in files for i in range(len(f)) if f.ids[i] in known_ids]
    return [[shot for f in group
             for shot in shots_of_pointings(f, declared, imported.placed, known_ids, booking,
                                            with_times, findings)]
            for group in found]


def _read_both(request, findings, reader, *more):
    """The files of shots and those of check shots, those without a complaint."""
    return [[found for path in paths
             if (found := read_small(path, findings, reader, *more)) is not None]
            for paths in (request.points, request.check)]


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
