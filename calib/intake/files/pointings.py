"""Raw total-station files to pointings: set-ups, faces, angles, distances."""

import hashlib
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from calib.intake.declaration import Declaration
from calib.intake.files.cells import (
    Labelled,
    angle_column,
    check_header_units,
    complain_of_empty,
    complain_of_packed,
    numbers,
    pole_height,
    texts,
)
from calib.intake.files.delimited import read_export
from calib.intake.files.field_units import NAMES, to_metres
from calib.intake.geometry.faces import disagreeing, face_means
from calib.intake.geometry.polar import PolarShots, distance_sd
from calib.run.complaints import Findings, lines_in_words, quote

_LARGEST_FACE_ERROR = np.radians(0.1)
"""Collimation or index error that no instrument in use has: common practice, no source."""

_NEEDED = ("point", "direction", "zenith", "distance")


@dataclass(frozen=True)
class Pointings(Labelled):
    """Pointings of one file, faces already joined, one row each."""

    polar: PolarShots
    setup: tuple[str, ...]
    #: Shape (n,), m: of the tilting axis above the mark; NaN where the file has none.
    instrument_height: np.ndarray


def read_observations(
    data: bytes, file: str, declared: Declaration, findings: Findings,
    beside: Collection[str] = (),
) -> Pointings | None:
    """Read one file of raw observations and join its faces.

    Distances are taken as the instrument gives them, prism constant and atmosphere applied.

    Parameters
    ----------
    declared : Declaration
        With `angles` and `instrument`, nothing lacking.
    beside : collection of str
        Headings of readings in the same rows.

    Returns
    -------
    Pointings or None
        None after any complaint about single cells or rows; not after one about all angles.
    """
    needed = (*_NEEDED, "target_height") if declared.pole == "column" else _NEEDED
    before = len(findings.complaints)
    export = read_export(data, file, findings, order=declared.columns(), needed=needed,
                         dialect=declared.dialect(), beside=beside)
    if export is None:
        return None
    check_header_units(export, declared.length_unit, declared.angles, findings)
    complain_of_empty(export, "point", findings)
    direction = angle_column(export, "direction", declared.angle_unit, findings)
    zenith = angle_column(export, "zenith", declared.angle_unit, findings)
    distance = to_metres(numbers(export, "distance", findings, low=1e-6), declared.length_unit)
    height = pole_height(export, declared, findings)
    face = _faces(export, zenith, findings)
    if len(findings.complaints) > before:
        return None
    setup = _set_ups(export, findings)
    pairs = _pair(setup, export.columns["point"], face, export, findings)
    if len(findings.complaints) > before:
        return None
    first, second = np.array([(p[0], p[-1]) for p in pairs]).T
    both = first != second
    polar = _joined(direction, zenith, distance, height, face, first, second, both)
    _check_faces(direction, zenith, distance, first, second, both, declared, export,
                 findings)
    _check_angles(both, declared, export, findings)
    ids, time, description, pose, target = (
        tuple(texts(export, name)[i] for i in first)
        for name in ("point", "time", "description", "pose", "target"))
    return Pointings(
        file, ids, time, description, pose, target,
        tuple(tuple(export.lines[i] for i in dict.fromkeys(p)) for p in pairs),
        tuple(" | ".join(export.raw[i] for i in dict.fromkeys(p)) for p in pairs),
        hashlib.sha256(data).hexdigest(),
        f"raw observations: {', '.join(export.order)}; {export.dialect}; angles in "
        f"{declared.angles}; {NAMES[declared.length_unit]}; {int(both.sum())} in both faces",
        polar, tuple(setup[i] for i in first),
        _instrument_height(export, declared, findings)[first])


def _set_ups(export, findings):
    """The set-up of each row."""
    if "setup" in export:
        complain_of_empty(export, "setup", findings)
        return export.columns["setup"]
    findings.note(export.file, 'no column of set-ups: all rows taken as one set-up, "1"')
    return ("1",) * len(export)


def _instrument_height(export, declared, findings):
    if "instrument_height" not in export:
        return np.full(len(export), np.nan)
    return to_metres(numbers(export, "instrument_height", findings, needed=False),
                     declared.length_unit)


def _faces(export, zenith, findings):
    """1 or 2 per row: by the column if there is one, else by the zenith angle."""
    by_zenith = np.where(zenith > np.pi, 2, 1)
    no_zenith = ~((zenith > 0) & (zenith < 2 * np.pi) & (zenith != np.pi)) & np.isfinite(zenith)
    for row in np.flatnonzero(no_zenith).tolist():
        findings.complain(export.file, export.lines[row], "zenith",
                          quote(export.columns["zenith"][row]),
                          "a zenith angle (0 straight up), not a vertical angle of the horizon")
    if "face" not in export:
        return by_zenith
    names = {"1": 1, "i": 1, "l": 1, "left": 1, "f1": 1, "2": 2, "ii": 2, "r": 2, "right": 2,
             "f2": 2}
    for row, cell in enumerate(export.columns["face"]):
        said = names.get(cell.casefold())
        if said is None:
            findings.complain(export.file, export.lines[row], "face", quote(cell), "1 or 2")
        elif said != by_zenith[row] and np.isfinite(zenith[row]):
            findings.complain(
                export.file, export.lines[row], "face", f"face {cell} with a zenith angle of "
                f"{np.degrees(zenith[row]):.1f} deg",
                "face 1 below and face 2 above 180 deg")
    return by_zenith


def _pair(setup, point, face, export, findings):
    """Rows that belong together: a face 1 and the face 2 that follows or precedes it."""
    waiting: dict[tuple[str, str], int] = {}
    pairs: list[tuple[int, ...]] = []
    for row, key in enumerate(zip(setup, point, strict=True)):
        partner = waiting.pop(key, None)
        if partner is not None and face[partner] != face[row]:
            pairs.append((partner, row) if face[partner] == 1 else (row, partner))
            continue
        if partner is not None:
            pairs.append((partner,))
        waiting[key] = row
    pairs += [(row,) for row in waiting.values()]
    return sorted(pairs, key=min)


def _joined(direction, zenith, distance, height, face, first, second, both):
    """Means where there are both faces; a single face 2 turned to what face 1 would read."""
    means = face_means(direction[first], zenith[first], direction[second], zenith[second])
    alone_2 = ~both & (face[first] == 2)
    single_direction = np.where(alone_2, direction[first] - np.pi, direction[first])
    single_zenith = np.where(alone_2, 2 * np.pi - zenith[first], zenith[first])
    return PolarShots(
        np.mod(np.where(both, means.direction, single_direction), 2 * np.pi),
        np.where(both, means.zenith, single_zenith),
        (distance[first] + distance[second]) / 2.0,
        (height[first] + height[second]) / 2.0,
        both,
    )


def _check_angles(both, declared, export, findings):
    """What the angles tell as a whole: their unit, and how many were sighted in one face."""
    if declared.angles == "deg":
        for name in ("direction", "zenith"):
            complain_of_packed(export, name, findings)
    if not both.all():
        findings.note(export.file, f"{int((~both).sum())} pointing(s) in one face only: their "
                      "angles are taken as the square root of 2 less certain, and any collimation "
                      "and index error stays in")


def _check_faces(direction, zenith, distance, first, second, both, declared, export,
                 findings):
    """Say where the two faces of a pointing disagree more than the stated sds allow."""
    sds = declared.instrument.sds()
    rows = np.flatnonzero(both)
    if len(rows) == 0:
        return
    a, b = first[rows], second[rows]
    means = face_means(direction[a], zenith[a], direction[b], zenith[b])
    findings.note(
        export.file, "both faces: collimation "
        f"{np.degrees(means.collimation.mean()) * 3600:+.1f}\", index error "
        f"{np.degrees(means.index.mean()) * 3600:+.1f}\" in the mean, taken out")
    worst = max((means.collimation.mean(), means.index.mean()), key=abs)
    if abs(worst) > _LARGEST_FACE_ERROR:
        findings.complain(
            export.file, export.lines[a[0]], "zenith" if worst == means.index.mean()
            else "direction", f"both faces apart by {np.degrees(2 * worst):+.2f} deg in the mean",
            f"at most {np.degrees(2 * _LARGEST_FACE_ERROR):.1f} deg (angles in another unit than "
            f"{declared.angles}? an instrument out of adjustment?)")
    # On the edge the pointing error comes on top of the circle's.
    pointing = sds.pointing / distance[a]
    sd_direction = np.hypot(sds.direction, pointing / np.sin(means.zenith))
    sd_zenith = np.hypot(sds.zenith, pointing)
    wrong = (disagreeing(means.collimation, float(sd_direction.max()))
             | disagreeing(means.index, float(sd_zenith.max())))
    limit = 3.29 * np.sqrt(2.0) * np.hypot(distance_sd(distance[a], sds), sds.pointing)
    wrong |= np.abs(distance[a] - distance[b]) > limit
    if wrong.any():
        lines = [int(export.lines[i]) for i in a[wrong]]
        findings.note(
            export.file, "the two faces disagree more than the stated sds allow in "
            f"{lines_in_words(lines)}: was the same point sighted?", lines[0])
