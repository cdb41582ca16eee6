"""What is known of set-ups and of the points they sight: measured beforehand, or to be solved.

Two files of a run folder keep it:

- ``setups.csv``: setup, east, north, up of the tilting axis (m), orientation (deg), and their sds.
  Shots of a set-up are computed with these values. An empty sd: the value is a starting value only,
  solved in the adjustment.
- ``backsights.csv``: one row per sight to a known point: where it came out with those values, with
  its own covariance, and where the point is known to be.
"""

from dataclasses import dataclass

import numpy as np

from calib.intake.declaration import SOLVED
from calib.intake.files.columns import read_named
from calib.intake.files.field_units import to_metres
from calib.intake.files.pointings import Pointings
from calib.intake.geometry.free_station import Given, NoStation, approximate
from calib.intake.geometry.polar import InstrumentSds, points, shot_covariance
from calib.run.complaints import Findings
from calib.run.table import (
    ANGLE,
    COORDINATE,
    ID,
    ORIENTATION_SD,
    SD,
    Column,
    complain_of_repeats,
)
from calib.run.units import sd_problem

USUAL_MARK = "5 mm, 20 arcsec"
"""How well marks of a site, and an orientation over one, are known: common practice, no source."""

AXES = ("east", "north", "up")


@dataclass(frozen=True)
class KnownPoints:
    """Points whose coordinates are known: ids, position (n, 3) m, sd (n, 3) m (0: errorless)."""

    file: str
    ids: tuple[str, ...]
    position: np.ndarray
    sd: np.ndarray


@dataclass(frozen=True)
class SetUp:
    """A set-up ready for the adjustment."""

    name: str
    #: Shape (4,). East, north, up of the tilting axis (m) and orientation (rad) that shots are
    #: computed with.
    value: np.ndarray
    #: Shape (4,). Of those that were measured or agreed; NaN for those to be solved; all 0 for the
    #: one set-up that defines the site's coordinates.
    sd: np.ndarray

    @property
    def defines_site(self) -> bool:
        return not self.sd.any()


@dataclass(frozen=True)
class Backsights:
    """Sights to known points, one row each; positions as computed with the set-up's values."""

    setup: tuple[str, ...]
    point: tuple[str, ...]
    position: np.ndarray
    covariance: np.ndarray
    known: np.ndarray
    known_sd: np.ndarray


def read_known(data: bytes, file: str, unit: str, findings: Findings) -> KnownPoints | None:
    """Known points: columns point, east, north, up, perhaps sd_east, sd_north, sd_up."""
    columns = [Column("point", ID), *(Column(axis, COORDINATE) for axis in AXES),
               *(Column(f"sd_{axis}", SD, required=False) for axis in AXES)]
    table = read_named(data, file, columns, findings, unit)
    if table is None:
        return None
    complain_of_repeats(table, "point", findings, "each known point once")
    position, sd = table.matrix(AXES), table.matrix(f"sd_{axis}" for axis in AXES)
    if len(table) and np.isnan(sd).any():
        findings.note(file, "known points without standard deviations are taken as errorless")
    sd = to_metres(sd, unit)
    for row, i in np.argwhere(np.isfinite(sd)):
        problem = sd_problem(float(sd[row, i]), "m")
        if problem:
            findings.complain(file, int(table.lines[row]), f"sd_{AXES[i]}",
                              f"{sd[row, i]:g} m", problem)
    return KnownPoints(file, table.texts.get("point", ()), to_metres(position, unit),
                       np.nan_to_num(sd))


def read_given(
    data: bytes, file: str, unit: str, sds: tuple[float, float] | None, findings: Findings
) -> dict[str, Given]:
    """What was measured of the set-ups beforehand.

    Columns setup, and as far as known east, north, up (of the mark, with instrument_height) and
    orientation (deg), each with its sd; all in the declared unit of length.

    Parameters
    ----------
    sds : (float, float) or None
        Of a coordinate (m) and an orientation (rad) without a column of sds; NaN: to be solved.
    """
    names = (*AXES, "orientation")
    columns = [Column("setup", ID), Column("instrument_height", COORDINATE, required=False)]
    columns += [Column(n, ANGLE if n == "orientation" else COORDINATE, required=False)
                for n in names]
    columns += [Column(f"sd_{n}", SD, required=False) for n in AXES]
    columns += [Column("sd_orientation", ORIENTATION_SD, required=False)]
    table = read_named(data, file, columns, findings, unit)
    if table is None:
        return {}
    complain_of_repeats(table, "setup", findings, "each set-up once")
    value, sd = table.matrix(names), table.matrix(f"sd_{n}" for n in names)
    height = table.matrix(["instrument_height"])[:, 0]
    bare = np.isfinite(value).any(0) & np.isnan(sd).all(0)
    if bare.any() and sds is None:
        lacking = [name for name, lacks in zip(names, bare, strict=True) if lacks]
        findings.complain(
            file, table.header_line, None, f"no standard deviations of {', '.join(lacking)}",
            f"{', '.join(f'sd_{name}' for name in lacking)}, or for all of them --setup-sd "
            f'"{USUAL_MARK}" (common practice, no source), or --setup-sd {SOLVED}: found from '
            "sights to known points")
        return {}
    for row, line in enumerate(table.lines.tolist()):
        for i, name in enumerate(names):
            if not bare[i] and np.isnan(value[row, i]) != np.isnan(sd[row, i]):
                findings.complain(
                    file, line, f"sd_{name}" if np.isnan(sd[row, i]) else name, "nothing",
                    "value and standard deviation together (or neither: solved)")
        if np.isfinite(value[row, 2]) and np.isnan(height[row]):
            findings.complain(file, line, "instrument_height", "nothing",
                              "the instrument's height over the mark (0 if up is that of the "
                              "tilting axis)")
    value[:, 2] += height
    for array in (value, sd):
        array[:, :3] = to_metres(array[:, :3], unit)
        array[:, 3] = np.radians(array[:, 3])
    if sds is not None:
        taken = np.array([sds[0]] * 3 + [sds[1]])
        sd[:, bare] = np.where(np.isfinite(value[:, bare]), taken[bare], np.nan)
        value[:, bare] = np.where(np.isfinite(sd[:, bare]), value[:, bare], np.nan)
    return {name: Given(value[row], sd[row])
            for row, name in enumerate(table.texts.get("setup", ()))}


def place_set_ups(
    found: Pointings, known: KnownPoints | None, given: dict[str, Given], sds: InstrumentSds,
    findings: Findings,
) -> tuple[dict[str, SetUp], Backsights]:
    """Values for every set-up to compute its shots with, and its sights to known points.

    Parameters
    ----------
    found : Pointings
        Of all files.
    """
    setup, ids, polar = found.setup, found.ids, found.polar
    names = tuple(dict.fromkeys(setup))
    number = {} if known is None else {point: i for i, point in enumerate(known.ids)}
    placed, rows_of = {}, {}
    if len(names) == 1 and not any(point in number for point in ids) and names[0] not in given:
        findings.note(
            f"set-up {names[0]}", "no known point sighted: site coordinates are those of this one "
            "set-up. The instrument stands at 0, 0, 0 and its circle's zero is north")
        placed[names[0]] = SetUp(names[0], np.zeros(4), np.zeros(4))
        return placed, _backsights([], found, placed, known, number, sds)
    for name in names:
        rows = [i for i in range(len(ids)) if setup[i] == name and ids[i] in number]
        prior = given.get(name, Given.nothing())
        sights = polar.select(rows)
        at = np.zeros((0, 3)) if known is None else known.position[[number[ids[i]] for i in rows]]
        try:
            position, orientation = approximate(sights, at, prior)
        except NoStation as error:
            findings.complain("set-up " + name, None, None,
                              f"{len(set(ids[i] for i in rows))} known point(s) sighted",
                              str(error).split(",")[0] if rows else
                              "sights to known points (--known FILE), or the set-up measured "
                              "beforehand (--setups FILE)")
            continue
        placed[name] = SetUp(name, np.append(position, orientation), prior.sd)
        rows_of[name] = rows
        free = [w for w, sd in zip((*AXES, "orientation"), prior.sd, strict=True) if np.isnan(sd)]
        findings.note(
            f"set-up {name}",
            f"{len(rows)} sight(s) to known points; "
            + (f"{', '.join(free)} solved in the adjustment" if free else "all given"))
    rows = [i for name in placed for i in rows_of[name]]
    return placed, _backsights(rows, found, placed, known, number, sds)


def _backsights(rows, found, placed, known, number, sds):
    if not rows:
        empty = np.zeros((0, 3))
        return Backsights((), (), empty, np.zeros((0, 3, 3)), empty, empty)
    setup, ids = (tuple(column[i] for i in rows) for column in (found.setup, found.ids))
    sights, value = found.polar.select(rows), np.array([placed[name].value for name in setup])
    at = [number[point] for point in ids]
    return Backsights(
        setup, ids,
        points(sights, value[:, :3], value[:, 3]), shot_covariance(sights, value[:, 3], sds),
        known.position[at], known.sd[at],
    )
