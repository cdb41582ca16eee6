"""shown.csv: what the machine's own display says of its edge at a few poses."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calib.chain.rig import Rig
from calib.run.complaints import Findings, quote
from calib.run.rig_file import AXES
from calib.run.table import (
    ANGLE,
    COORDINATE,
    ID,
    Column,
    Table,
    complain_of_repeats,
    read_table,
)
from calib.run.text import file_text
from calib.run.units import short_way_round

#: Columns of a display that measures from the boom foot pin, and of one that knows the site.
HOUSE, SITE = ("forward", "left", "up"), AXES
SHOT = tuple(f"shot_{axis}" for axis in AXES)

#: Readings of a pose at rest differ by less, deg.
_AT_REST = 0.5

#: No display writes more decimals than this.
_MOST_DECIMALS = 6


@dataclass(frozen=True)
class Shown:
    """Displayed positions, pose by pose."""

    poses: tuple[str, ...]
    stand: tuple[str, ...]  #: Of each pose; "" where the file names none.
    readings: np.ndarray  #: Shape (n_poses, n_readings), rad; NaN where a pose has none.
    reading_step: np.ndarray  #: Shape (n_readings,). What they are rounded to, rad.
    #: pose, target: int, shape (n,). Of each row.
    pose: np.ndarray
    target: np.ndarray
    position: np.ndarray  #: Shape (n, 3). As displayed, m; NaN where a coordinate is not shown.
    step: np.ndarray  #: Shape (3,). What the coordinates are rounded to, m.
    #: East, north and up of a site, or of any level axes; else forward, left and up of the boom
    #: foot pin in the levelled house.
    on_site: bool
    #: Shape (n, 3). The same points, shot at the same moment, m; NaN where not.
    shot: np.ndarray | None
    line: np.ndarray  #: Int, shape (n,).

    def displayed(self) -> "Shown":
        """The rows with a displayed coordinate: others only tell where the machine stands."""
        return self.select(np.isfinite(self.position).any(axis=1))

    def select(self, rows: np.ndarray) -> "Shown":
        """The rows where `rows` (bool, shape (n,)) is true, of all poses."""
        return replace(
            self, pose=self.pose[rows], target=self.target[rows], position=self.position[rows],
            shot=None if self.shot is None else self.shot[rows], line=self.line[rows])


def read_shown_file(path: Path, rig: Rig) -> tuple[Shown, tuple[str, ...]]:
    """Read a file of displayed positions, and what is remarked of it.

    Raises
    ------
    InputError
        With every complaint about it.
    """
    findings = Findings()
    text = file_text(path, path.name, "what the machine's display shows at a few poses: columns "
                     "pose, target, forward, left, up (or east, north, up) and the readings",
                     findings)
    shown = None if text is None else read_shown(text, path.name, rig, findings)
    return findings.sound(shown), tuple(str(notice) for notice in findings.notices)


def read_shown(text: str, file: str, rig: Rig, findings: Findings) -> Shown | None:
    """The displayed positions of a file; after a complaint they must not be used."""
    names = rig.reading_names
    columns = [Column("pose", ID), Column("target", ID), Column("stand", ID, required=False)]
    columns += [Column(name, COORDINATE, required=False)
                for name in dict.fromkeys((*HOUSE, *SITE, *SHOT))]
    columns += [Column(name, ANGLE, required=False) for name in names]
    table = read_table(text, file, columns, findings)
    if table is None or len(table) == 0 or len(table.texts) < 2:
        if table is not None and not findings.complaints:
            findings.complain(file, table.header_line, None, "no rows yet, only column names",
                              "one row per displayed point")
        return None
    on_site = _frame(table, findings)
    ids = table.texts["pose"]
    poses = tuple(dict.fromkeys(p for p in ids if p))
    pose = np.array([poses.index(p) if p else -1 for p in ids], int)
    _complain_of_repeats(table, findings)
    shot = table.matrix(SHOT)
    shown = Shown(
        poses=poses, stand=_stands(table, poses, pose, findings),
        readings=_readings(table, rig, poses, pose, findings),
        reading_step=np.radians([_step(table.numbers.get(n, np.zeros(0))) for n in names]),
        pose=pose, target=table.index("target", rig.target_names, "a target of the rig", findings),
        position=table.matrix(SITE if on_site else HOUSE),
        step=np.array([_step(table.numbers.get(n, np.zeros(0)))
                       for n in (SITE if on_site else HOUSE)]),
        on_site=on_site, shot=None if np.isnan(shot).all() else shot, line=table.lines)
    _complain_of_nothing_to_compare(shown, table, rig, findings)
    return shown


def _frame(table: Table, findings: Findings) -> bool:
    there = {n for n in {*HOUSE, *SITE} if n in table.numbers}
    house, site = there & {"forward", "left"}, there & {"east", "north"}
    if (house and site) or not there:
        found = "forward or left beside east or north" if there else "no displayed coordinates"
        findings.complain(table.file, table.header_line, None, found,
                          "columns forward, left, up (from the boom foot pin), or east, north, up, "
                          "as far as the display shows them")
    return bool(site)


def _step(values: np.ndarray) -> float:
    """What numbers are rounded to: as many decimals as the one with most of them has."""
    values = values[np.isfinite(values)]
    for decimals in range(_MOST_DECIMALS):
        if np.abs(values * 10**decimals - np.round(values * 10**decimals)).max(initial=0) < 1e-6:
            return float(10.0**-decimals)
    return float(10.0**-_MOST_DECIMALS)


def _stands(table, poses, pose, findings):
    first: dict[int, str] = {}
    for line, p, cell in zip(table.lines.tolist(), pose.tolist(), table.text("stand"),
                             strict=True):
        if cell and first.setdefault(p, cell) != cell:
            findings.complain(table.file, line, "stand", quote(cell),
                              f"one stand in a pose (above it is {quote(first[p])})")
    return tuple(first.get(p, "") for p in range(len(poses)))


def _complain_of_repeats(table, findings):
    """Complain of the same target twice in a pose."""
    both = tuple(f"{p} {t}" if p and t else ""
                 for p, t in zip(table.texts["pose"], table.texts["target"], strict=True))
    joined = Table(table.file, table.lines, table.header_line, {"pose": both}, {})
    complain_of_repeats(joined, "pose", findings, "each target once in a pose")


def _readings(table, rig, poses, pose, findings):
    """Readings of each pose, rad: the mean of its rows that have them."""
    found = np.full((len(poses), len(rig.reading_names)), np.nan)
    for k, name in enumerate(rig.reading_names):
        values = short_way_round(table.matrix([name])[:, 0])
        for p in range(len(poses)):
            rows = np.flatnonzero((pose == p) & np.isfinite(values))
            if not len(rows):
                continue
            found[p, k] = values[rows].mean()
            first = values[rows[0]]
            for row in rows[np.abs(values[rows] - first) > _AT_REST]:
                findings.complain(table.file, int(table.lines[row]), name, f"{values[row]:g}",
                                  f"about {first:g} as in the row above it: a pose is at rest, or "
                                  "another pose")
    return np.radians(found)


def _complain_of_nothing_to_compare(shown, table, rig, findings):
    """A row without anything, a pose with a part of its readings, or with none."""
    lines, nothing = table.lines.tolist(), np.isnan(shown.position).all(axis=1)
    if shown.shot is not None and not nothing.all():
        nothing &= np.isnan(shown.shot).any(axis=1)
    for row in np.flatnonzero(nothing):
        findings.complain(table.file, lines[row], None, "no displayed coordinate", "one at least")
    for p, name in enumerate(shown.poses):
        missing = [r for r, value in zip(rig.reading_names, shown.readings[p], strict=True)
                   if np.isnan(value)]
        rows = np.flatnonzero(shown.pose == p)
        has_shot = shown.shot is not None and np.isfinite(shown.shot[rows]).all(axis=1).any()
        if missing and not (has_shot and len(missing) == len(rig.reading_names)):
            findings.complain(
                table.file, lines[rows[0]], missing[0], "nothing",
                f"the readings of pose {name} at the moment of the display (deg): "
                f"{', '.join(missing)}; or shots of its targets: {', '.join(SHOT)}")
