"""The rows of the files with shots, as far as a proposal looks at them."""

import itertools
import re
from dataclasses import dataclass

import numpy as np

from calib.intake.declaration import Declaration
from calib.intake.files.cells import Labelled
from calib.intake.files.columns import KIND, header_name
from calib.intake.files.delimited import read_export
from calib.intake.files.field_units import METRES, NAMES, known_unit
from calib.intake.files.ids import Booked
from calib.intake.files.landxml import UNITS, is_landxml
from calib.intake.files.pointings import read_observations
from calib.intake.files.points import read_points
from calib.intake.files.times import zone_stated
from calib.intake.geometry.geographic import to_local
from calib.intake.geometry.polar import points as polar_points
from calib.intake.proposal.looks import Look
from calib.run.complaints import Findings

_AXES = (("direction", "zenith", "distance"), ("north", "east", "up"),
         ("latitude", "longitude", "ellipsoidal_height"))
_LINEAR_UNIT = re.compile(rb'linearUnit\s*=\s*"([A-Za-z]+)"')
_ZONE = re.compile(r"\b(?:UTC|GMT)[+-]\d{1,2}(?::?\d{2})?\b")


@dataclass(frozen=True)
class FieldRows:
    """Rows of all files with shots."""

    files: tuple[str, ...]
    ids: tuple[str, ...]
    descriptions: tuple[str, ...]
    times: tuple[str, ...]
    zones: tuple[str, ...]  #: Those that headings state.
    #: By row, where every row names its pose and target in columns of their own; else empty.
    booked: dict[int, Booked]
    unit: str  #: In which `position` was read: declared, stated, or m for want of either.
    #: Shape (n, 3). East, north, up, m; of raw observations from the instrument, its circle's zero
    #: for north.
    position: np.ndarray
    #: Units of length that headers, job lines or LandXML state; "ft" is either foot.
    said: tuple[str, ...]
    understood: str


def is_geographic(by_role: dict[str, list[Look]]) -> bool:
    """Whether the points have latitude and longitude."""
    return any({"latitude", "longitude"} <= set(look.meant) for look in by_role["points"])


def read_rows(by_role: dict[str, list[Look]], declared: Declaration) -> FieldRows:
    """Read the files with shots.

    Raises
    ------
    InputError
        If one cannot be read.
    """
    findings, said = Findings(), []
    looks = by_role["points"] + by_role["pointings"]
    for look in looks:
        said += _stated(look, declared)
    unit = declared.unit or next((_one_of(u) for u in said), "m")
    geographic = is_geographic(by_role)
    trial = declared.model_copy(update={
        "unit": unit if unit in METRES else "m", "frame": "geographic" if geographic else "ground",
        "pole": "column" if any("target_height" in look.meant for look in by_role["pointings"])
        else "applied"})
    found: list[Labelled] = []
    positions = []
    for look in looks:
        data, name = look.path.read_bytes(), look.path.name
        if look in by_role["points"]:
            points = read_points(data, name, trial, findings, look.beside)
            if points is not None:
                found.append(points)
                positions.append(points.position)
            continue
        sights = read_observations(data, name, trial, findings, look.beside)
        if sights is not None:
            found.append(sights)
            positions.append(polar_points(sights.polar, np.zeros((len(sights), 3)),
                                          np.zeros(len(sights))))
    findings.stop_if_at_fault()
    position = np.vstack(positions)
    if geographic:
        position = to_local(position, position[0])
    ids, descriptions, times, poses, targets = (
        tuple(itertools.chain.from_iterable(getattr(rows, name) for rows in found))
        for name in ("ids", "description", "time", "pose", "target"))
    booked = dict(enumerate(map(Booked, poses, targets))) if all(poses + targets) else {}
    understood = dict.fromkeys("; ".join(
        part for part in rows.understood.split("; ") if part not in NAMES.values())
        for rows in found)
    return FieldRows(
        tuple(look.path.name for look in looks), ids, descriptions, times, _zones(looks), booked,
        trial.unit or "m", position, tuple(dict.fromkeys(said)), "; ".join(understood))


def _zones(looks):
    """Time zones that headings of date and time state, or the lines above them."""
    said = [header_name(cell)[1] for look in looks
            for cell, meant in zip(look.header, look.meant, strict=True)
            if meant in ("time", "date")]
    for look in looks:
        above, header, _ = look.data.decode("utf-8", "replace").partition(
            look.delimiter.join(look.header) or "\0")
        said += _ZONE.findall(above) if header else []
    return tuple(filter(None, (zone_stated(unit) for unit in said if unit)))


def _stated(look, declared):
    """Units of length that a file states."""
    if is_landxml(look.data):
        match = _LINEAR_UNIT.search(look.data)
        unit = UNITS.get(match[1].decode().casefold()) if match else None
        return [unit] if unit else []
    order = declared.columns()
    names = order or look.meant
    needed = next((axes for axes in _AXES if set(axes) <= set(names)), None)
    if needed is None:
        return []
    export = read_export(look.path.read_bytes(), look.path.name, Findings(), order=order,
                         needed=needed, dialect=declared.dialect())
    if export is None:
        return []
    units = [known_unit(u) for name, u in export.units.items() if KIND[name] == "length"]
    return list(dict.fromkeys(u for u in (*units, *(u for _, u in export.remarks)) if u))


def _one_of(unit):
    """A unit to read with: either foot will do for a first look."""
    return "ft-int" if unit == "ft" else unit
