"""setups.csv and backsights.csv: where total stations stood, and what they saw of known points."""

import numpy as np

from calib.run.complaints import Findings
from calib.run.copies import again
from calib.run.observed import COVARIANCES, covariance_of
from calib.run.records import SetUps
from calib.run.rig_file import AXES
from calib.run.table import (
    ANGLE,
    COORDINATE,
    ID,
    NUMBER,
    ORIENTATION_SD,
    SD,
    Column,
    complain_of_repeats,
    read_table,
)

_VALUES = (*AXES, "orientation")


def read_set_ups(
    text: str, file: str, sights_text: str | None, sights_file: str, findings: Findings
) -> SetUps | None:
    """Read both files; after a complaint what is sound, to check more, never as a result.

    Parameters
    ----------
    sights_text : str or None
        None: no known point was sighted.
    """
    columns = [Column("setup", ID)]
    columns += [Column(name, ANGLE if name == "orientation" else COORDINATE) for name in _VALUES]
    columns += [Column(f"sd_{name}", SD, required=False) for name in AXES]
    columns += [Column("sd_orientation", ORIENTATION_SD, required=False)]
    table = read_table(text, file, columns, findings)
    if table is None or len(table) == 0:
        return None
    complain_of_repeats(table, "setup", findings, "each set-up once")
    sd = table.matrix([f"sd_{name}" for name in _VALUES])
    sd[:, 3] = np.radians(sd[:, 3])
    sights = _sights(sights_text, sights_file, table.text("setup"), findings)
    if sights is None:
        empty = np.zeros((0, 3))
        sights = np.zeros(0, int), (), empty, np.zeros((0, 3, 3)), empty, empty
    orientation = np.radians(table.matrix(["orientation"])[:, 0])
    return SetUps(table.text("setup"), table.matrix(AXES), orientation, sd, *sights)


def _sights(text, file, ids, findings):
    """Set-up, point, position, covariance, known position and known sd of every sight."""
    if text is None:
        return None
    columns = [Column("setup", ID), Column("point", ID)]
    columns += [Column(f"{known}{axis}", COORDINATE) for known in ("", "known_") for axis in AXES]
    columns += [Column(f"sd_{axis}", SD) for axis in AXES]
    columns += [Column(name, NUMBER, required=False) for name in COVARIANCES]
    columns += [Column(f"known_sd_{axis}", SD, required=False) for axis in AXES]
    table = read_table(text, file, columns, findings)
    if table is None or len(table) == 0:
        return None
    _complain_of_copies(table, findings)
    return (
        table.index("setup", ids, "a set-up of setups.csv", findings),
        table.text("point"),
        table.matrix(AXES),
        covariance_of(table, table.matrix([f"sd_{axis}" for axis in AXES]), findings),
        table.matrix([f"known_{axis}" for axis in AXES]),
        np.nan_to_num(table.matrix([f"known_sd_{axis}" for axis in AXES])),
    )


def _complain_of_copies(table, findings):
    """Two sights are never alike to the last digit: one was pasted twice, and would count twice."""
    names = [np.unique(table.text(name), return_inverse=True)[1] for name in ("setup", "point")]
    for before, row in again(np.column_stack([*names, table.matrix(AXES)])):
        findings.complain(table.file, int(table.lines[row]), None,
                          f"the sight of line {table.lines[before]} again", "each sight once")
