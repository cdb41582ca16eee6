"""Point files to points: delimited text in any declared order, or LandXML."""

import hashlib
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from calib.intake.declaration import Declaration
from calib.intake.files.cells import (
    Labelled,
    check_header_units,
    complain_of_empty,
    complain_of_other_delimiters,
    numbers,
    pole_height,
    texts,
)
from calib.intake.files.columns import SKIP
from calib.intake.files.delimited import Export, read_export
from calib.intake.files.field_units import NAMES, to_metres
from calib.intake.files.landxml import CgPoints, is_landxml, read_landxml
from calib.intake.geometry import geographic
from calib.run.complaints import Findings, quote
from calib.run.units import sd_problem

_AXES = ("east", "north", "up")


@dataclass(frozen=True)
class Points(Labelled):
    """Points of one file, one row each."""

    #: Shape (n, 3). East, north, up as the file has them, in metres, pole off; on the map grid if
    #: that is what was declared. Geographic: latitude and longitude in rad, ellipsoidal height in
    #: m. NaN where at fault.
    position: np.ndarray
    covariance: np.ndarray  #: Shape (n, 3, 3), m^2; NaN where the file says nothing.


def read_points(
    data: bytes, file: str, declared: Declaration, findings: Findings,
    beside: Collection[str] = (),
) -> Points | None:
    """Read one point file.

    Parameters
    ----------
    declared : Declaration
        With nothing lacking (`Declaration.lacks`).
    beside : collection of str
        Headings of readings in the same rows.

    Returns
    -------
    Points or None
        None after a complaint about the file as a whole. After any other complaint the points
        are not to be used.
    """
    if is_landxml(data):
        _refuse_for_landxml(file, declared, findings)
        cg_points = read_landxml(data, file, declared.length_unit, findings)
        return None if cg_points is None else _from_landxml(cg_points, data, file, declared)
    geo = declared.frame == "geographic"
    axes = ("latitude", "longitude", "ellipsoidal_height") if geo else ("north", "east", "up")
    order = declared.columns()
    if geo and order is not None and "up" in order:
        order = tuple("ellipsoidal_height" if name == "up" else name for name in order)
    needed = ("point", *axes) if order is None or "point" in order else axes
    if declared.pole == "column":
        needed = (*needed, "target_height")
    export = read_export(data, file, findings, order=order, needed=needed,
                         dialect=declared.dialect(), beside=beside)
    if export is None:
        return None
    check_header_units(export, declared.length_unit, declared.angles, findings)
    position = _position(export, declared, findings)
    position[:, 2] -= pole_height(export, declared, findings)
    if "point" in export:
        complain_of_empty(export, "point", findings)
        complain_of_other_delimiters(export, "point", findings)
        ids = export.columns["point"]
    else:
        ids = tuple(str(line) for line in export.lines)
        findings.note(file, "no column of point ids: the line numbers stand for them")
    order_words = ", ".join(name for name in export.order if name != SKIP)
    return Points(
        file, ids, texts(export, "time"), texts(export, "description"), texts(export, "pose"),
        texts(export, "target"),
        tuple((line,) for line in export.lines), export.raw, hashlib.sha256(data).hexdigest(),
        f"columns {order_words}; {export.dialect}; {NAMES[declared.length_unit]}",
        position, _covariance(export, declared.unit, findings))


def to_site(
    position: np.ndarray, declared: Declaration, about: np.ndarray | None
) -> np.ndarray:
    """Site coordinates on the ground; `about` is the point of the grid that stays.

    Geographic coordinates need an origin declared.
    """
    if declared.factor is not None and about is not None:
        return geographic.grid_to_ground(position, declared.factor, about)
    if declared.frame == "geographic":
        origin = np.array(declared.origin, float)
        origin[:2] = np.radians(origin[:2])
        return geographic.to_local(position, origin)
    return position


def _position(export, declared, findings):
    """As `Points.position`, pole on."""
    if declared.frame != "geographic":
        return to_metres(np.column_stack([numbers(export, axis, findings) for axis in _AXES]),
                         declared.unit)
    exchanged = "latitude and longitude exchanged?"
    latitude = numbers(export, "latitude", findings, low=-90.0, high=90.0, hint=exchanged)
    longitude = numbers(export, "longitude", findings, low=-180.0, high=360.0, hint=exchanged)
    height = to_metres(numbers(export, "ellipsoidal_height", findings), declared.unit)
    return np.column_stack([np.radians(latitude), np.radians(longitude), height])


def _covariance(export: Export, unit, findings):
    """Covariance per point from quality columns; NaN where there are none."""
    n = len(export)
    covariance = np.full((n, 3, 3), np.nan)
    variances = {}
    for name in ("sd_east", "sd_north", "sd_up", "sd_horizontal", "rms_horizontal",
                 "cov_east_east", "cov_north_north", "cov_up_up"):
        if name not in export:
            continue
        values = to_metres(numbers(export, name, findings, needed=False, low=1e-9, high=1e6), unit)
        squared = name.startswith("cov")
        variances[name] = to_metres(values, unit) if squared else values**2
        _complain_of_sds(export, name, np.sqrt(variances[name]), findings)
    if not variances:
        return covariance
    if "rms_horizontal" in variances:
        variances["rms_horizontal"] /= 2.0
        findings.note(export.file, "horizontal rms taken as that of the distance (both axes "
                      "together): each axis has it divided by the square root of 2")
    variance = np.full((n, 3), np.nan)
    for i, axis in enumerate(_AXES):
        of_both = ("sd_horizontal", "rms_horizontal") if axis != "up" else ()
        for name in (f"cov_{axis}_{axis}", f"sd_{axis}", *of_both):
            if name in variances:
                variance[:, i] = variances[name]
                break
    known = np.isfinite(variance).all(axis=1)
    for row in np.flatnonzero(~known & np.isfinite(variance).any(axis=1)):
        findings.complain(export.file, export.lines[row], None, "part of the standard deviations",
                          "those of east, north and up, or none")
    covariance[known] = np.einsum("ni,ij->nij", variance[known], np.eye(3))
    for i, j in ((0, 1), (0, 2), (1, 2)):
        name = f"cov_{_AXES[i]}_{_AXES[j]}"
        if name in export:
            shared = numbers(export, name, findings, needed=False)
            shared = np.where(np.isnan(shared), 0.0, to_metres(to_metres(shared, unit), unit))
            covariance[:, i, j] = covariance[:, j, i] = np.where(known, shared, np.nan)
    for row in np.flatnonzero(known):
        sd = np.sqrt(np.diag(covariance[row]))
        if np.linalg.eigvalsh(covariance[row] / np.outer(sd, sd))[0] < 1e-9:
            findings.complain(export.file, export.lines[row], None,
                              "covariances larger than the variances allow",
                              "a positive definite covariance")
    return covariance


def _complain_of_sds(export, name, sd, findings):
    """Standard deviations in m that no survey has."""
    for row in np.flatnonzero(np.isfinite(sd)):
        problem = sd_problem(float(sd[row]), "m")
        if problem:
            findings.complain(export.file, export.lines[row], name,
                              quote(export.columns[name][row]), problem)


def _refuse_for_landxml(file, declared, findings):
    """CgPoints hold north, east, height and no height of a pole."""
    if declared.frame == "geographic":
        findings.complain(file, None, None, "LandXML, declared as geographic",
                          "--frame ground or grid: CgPoints are north, east, height")
    if declared.pole == "column":
        findings.complain(file, None, None, "LandXML, with --pole column",
                          "--pole applied or a height: CgPoints have no such column")


def _from_landxml(found: CgPoints, data, file, declared):
    n = len(found.names)
    position = found.north_east_up[:, [1, 0, 2]].copy()
    if isinstance(declared.pole, float):
        position[:, 2] -= to_metres(declared.pole, declared.unit)
    blank = ("",) * n
    return Points(
        file, found.names, found.times, found.descriptions, blank, blank,
        tuple((line,) for line in found.lines), found.raw, hashlib.sha256(data).hexdigest(),
        f"LandXML CgPoints (north, east, height); {NAMES[declared.length_unit]}",
        position, np.full((n, 3, 3), np.nan))
