"""What was observed in a run: from tables to poses, shots and set-ups of instruments."""

import numpy as np

from calib.chain.rig import Rig
from calib.run.complaints import Findings, quote
from calib.run.copies import again, complain_of_lookalikes, note_same_readings
from calib.run.numerals import NotANumber, parse_number
from calib.run.records import Poses, SetUps, Shots
from calib.run.rig_file import AXES
from calib.run.table import (
    ANGLE,
    COORDINATE,
    ID,
    NOTE,
    NUMBER,
    ORIENTATION_SD,
    READING_SD,
    SD,
    SHOT_SD,
    TIME,
    Column,
    Table,
    complain_of_repeats,
    read_table,
    stroke_kind,
)
from calib.run.units import short_way_round

#: Of axes that may be correlated.
PAIRS = ((0, 1), (0, 2), (1, 2))

#: Optional columns of shots.csv for correlated coordinates, m^2, in the order of `PAIRS`.
COVARIANCES = tuple(f"cov_{AXES[i]}_{AXES[j]}" for i, j in PAIRS)

#: Correlations must leave at least this share of variance to every direction.
_LEAST_EIGENVALUE = 1e-9

#: Columns of setups.csv.
_VALUES = (*AXES, "orientation")


def read_poses(text: str, file: str, rig: Rig | None, findings: Findings) -> Poses | None:
    """Read readings.csv; after a complaint what is sound, to check more, never as a result.

    Parameters
    ----------
    rig : Rig or None
        None when rig.toml is at fault: then only ids, stands and times are looked at.
    """
    readings = () if rig is None else rig.readings
    pose_columns = () if rig is None else rig.pose_columns
    strokes = {} if rig is None else rig.strokes
    columns = [Column("pose", ID), Column("stand", ID), Column("time", TIME, required=False)]
    columns += [Column(r.name, stroke_kind(*strokes[r.name]) if r.name in strokes else ANGLE,
                       not r.optional) for r in readings]
    columns += [Column(f"sd_{r.name}", READING_SD if r.unit == "deg" else SHOT_SD, required=False)
                for r in readings]
    columns += [Column(c.name, NOTE, required=False) for c in pose_columns]
    table = read_table(text, file, columns, findings, note_extra=rig is not None)
    if table is None or len(table) == 0:
        _complain_of_no_rows(table, "one row per pose", findings)
        return None
    complain_of_repeats(table, "pose", findings, "each pose once")
    lines = table.lines.tolist()
    for column in ("pose", "stand"):
        complain_of_lookalikes(table.text(column), [file] * len(table), lines, column, findings)
    written = table.matrix(r.name for r in readings)
    for i, reading in enumerate(readings):
        if reading.unit == "deg":
            written[:, i] = short_way_round(written[:, i])
    empty = np.isnan(written) & np.array([r.optional for r in readings], bool)
    written[empty] = 0.0
    note_same_readings(written, table.text("pose"), file, lines, findings)
    sds = np.array([_reading_sd(rig, i, table, findings) for i in range(len(readings))])
    return Poses(
        ids=table.text("pose"),
        stand=table.text("stand"),
        readings=written if rig is None else written / rig.reading_factors,
        sd=np.where(empty, np.inf, sds.T.reshape(written.shape)),
        time=tuple(cell or None for cell in table.text("time")),
        line=tuple(lines),
        noted={c.name: _noted(c, rig, table, findings) for c in pose_columns
               if c.name in table.texts or (rig is not None and c in rig.needed_columns)},
    )


def _noted(column, rig, table, findings):
    """What a pose column says of every pose, 0 where it says nothing that is understood."""
    needed = column in rig.needed_columns
    if column.name not in table.texts:
        names = ", ".join(n for n in rig.parameter_names if n in rig.chain.told_by(column.name))
        findings.complain(table.file, table.header_line, column.name, f'no column "{column.name}"',
                          f"{' or '.join(column.words)} in every pose ({column.means}): {names} "
                          "cannot be estimated without")
        return np.zeros(len(table))
    words = {word.casefold(): value for word, value in column.words.items()}
    values, odd = np.zeros(len(table)), []
    for row, cell in enumerate(table.texts[column.name]):
        value = words.get(cell.casefold(), _number(cell))
        if value is not None and min(words.values()) <= value <= max(words.values()):
            values[row] = value
        elif cell or needed:
            odd.append(row)
    said = ", ".join(column.words)
    expected = f"{said}, or a number from {min(words.values()):g} to {max(words.values()):g}"
    for row in odd if needed else ():
        findings.complain(table.file, int(table.lines[row]), column.name,
                          quote(table.texts[column.name][row]), expected)
    if odd and not needed:
        findings.note(table.file, f"column {column.name} is not used: no parameter that depends "
                      f"on it is estimated, and {quote(table.texts[column.name][odd[0]])} is none "
                      f"of {said}", int(table.lines[odd[0]]))
    return values


def _number(cell):
    try:
        return parse_number(cell, "," if "," in cell else ".")
    except NotANumber:
        return None


def read_shots(
    text: str,
    file: str,
    rig: Rig | None,
    poses: Poses | None,
    set_ups: SetUps | None,
    findings: Findings,
    *,
    needed: bool,
) -> Shots | None:
    """Read shots.csv or check.csv; None if there are no rows.

    After a complaint the shots hold what is sound, to check more: NaN for a coordinate and -1 for
    a pose or target at fault.

    Parameters
    ----------
    poses : Poses or None
        None when their file is at fault: then names are not looked up.
    set_ups : SetUps or None
        Those of setups.csv, which the column setup refers to.
    needed : bool
        Whether a file without rows is at fault.
    """
    columns = [Column(name, ID) for name in ("shot", "pose", "target")]
    columns += [Column(axis, COORDINATE) for axis in AXES]
    columns += [Column(f"sd_{axis}", SHOT_SD, required=False) for axis in AXES]
    columns += [Column(name, NUMBER, required=False) for name in COVARIANCES]
    columns += [Column("time", TIME, required=False), Column("setup", ID, required=False)]
    table = read_table(text, file, columns, findings)
    if table is None or len(table) == 0:
        if needed:
            _complain_of_no_rows(table, "one row per shot", findings)
        return None
    complain_of_repeats(table, "shot", findings, "each shot id once")
    none = np.full(len(table), -1)
    return Shots(
        ids=table.text("shot"),
        pose=none if poses is None else table.index(
            "pose", poses.ids, "a pose of readings.csv", findings),
        target=none if rig is None else table.index(
            "target", rig.target_names, "a target of the rig", findings),
        position=table.matrix(AXES),
        covariance=_covariance(table, rig, findings),
        time=tuple(cell or None for cell in table.text("time")),
        line=tuple(table.lines.tolist()),
        setup=None if not any(table.text("setup")) else table.index(
            "setup", () if set_ups is None else set_ups.ids, "a set-up of setups.csv", findings),
    )


def _complain_of_no_rows(table: Table | None, row: str, findings):
    """A file with a header and nothing below it, not even rows at fault."""
    if table is None or any(c.file == table.file and c.line != table.header_line
                            for c in findings.complaints):
        return
    findings.complain(table.file, table.header_line, None, "no rows yet, only column names", row)


def _reading_sd(rig, i, table, findings):
    """The sd of one reading in every pose, rad or m: its own cell, else the rig's."""
    reading = rig.readings[i]
    column = f"sd_{reading.name}"
    own = table.numbers.get(column)
    if own is None and reading.sd is None:
        findings.complain("rig.toml", None, f"readings.sd.{reading.name}", "nothing",
                          f"the sd of a reading in {reading.unit}, here or in a column {column} of "
                          f"{table.file}")
    sd = np.full(len(table), np.nan if reading.sd is None else reading.sd)
    if own is None:
        return sd
    if reading.sd is None:
        _complain_of_gaps(table, column, "readings.sd", findings)
    return np.where(np.isnan(own), sd, own / rig.reading_factors[i])


def _covariance(table, rig, findings):
    """Covariance of every shot from its own cells, else from the rig, shape (n, 3, 3), m^2."""
    default = None if rig is None else rig.shot_sd
    sd = np.empty((len(table), 3))
    for i, axis in enumerate(AXES):
        column = f"sd_{axis}"
        own = table.numbers.get(column)
        if own is None and default is None and rig is not None:
            findings.complain("rig.toml", None, f"shots.sd.{axis}", "nothing",
                              f"the sd of a shot in m, here or in a column {column} of "
                              f"{table.file}")
        elif own is not None and default is None and rig is not None:
            _complain_of_gaps(table, column, "shots.sd", findings)
        sd[:, i] = np.nan if default is None else default[i]
        if own is not None:
            sd[:, i] = np.where(np.isnan(own), sd[:, i], own)
    return _covariance_of(table, sd, findings)


def _covariance_of(table: Table, sd: np.ndarray, findings: Findings) -> np.ndarray:
    """Covariance of every row from its sds, shape (n, 3), and its columns `COVARIANCES`, m^2."""
    covariance = sd[:, :, None] ** 2 * np.eye(3)
    for (i, j), column in zip(PAIRS, COVARIANCES, strict=True):
        if column in table.numbers:
            shared = np.nan_to_num(table.numbers[column])
            covariance[:, i, j] = covariance[:, j, i] = shared
    _complain_of_impossible(covariance, sd, table, findings)
    return covariance


def _complain_of_impossible(covariance, sd, table, findings):
    """Covariances larger than the standard deviations allow."""
    sound = np.flatnonzero(np.isfinite(sd).all(axis=1))
    correlation = covariance[sound] / (sd[sound, :, None] * sd[sound, None, :])
    least = np.linalg.eigvalsh(correlation)[:, 0]
    for at in np.flatnonzero(least < _LEAST_EIGENVALUE):
        row, size = sound[at], [abs(correlation[at, i, j]) for i, j in PAIRS]
        line, worst = int(table.lines[row]), int(np.argmax(size))
        i, j = PAIRS[worst]
        if size[worst] >= 1:
            findings.complain(table.file, line, COVARIANCES[worst], f"{covariance[row, i, j]:.3g}",
                              f"less than sd_{AXES[i]} times sd_{AXES[j]} "
                              f"({sd[row, i] * sd[row, j]:.3g} m^2) in size")
        else:
            three = ", ".join(f"{covariance[row, i, j]:.3g}" for i, j in PAIRS)
            findings.complain(table.file, line, None, f"covariances {three} m^2",
                              "three that fit together (a positive definite matrix)")


def _complain_of_gaps(table, column, key, findings):
    """Empty cells of a sd column that the rig file does not fill."""
    # A cell at fault is NaN too: it has its complaint already.
    told = {(c.line, c.column) for c in findings.complaints if c.file == table.file}
    for line in table.lines[np.isnan(table.numbers[column])].tolist():
        if (line, column) not in told:
            findings.complain(table.file, line, column, "nothing",
                              f"a standard deviation, here or under {key} in rig.toml")


def read_set_ups(
    text: str, file: str, sights_text: str | None, sights_file: str, findings: Findings
) -> SetUps | None:
    """Read setups.csv and backsights.csv; after a complaint what is sound, never as a result.

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
        _covariance_of(table, table.matrix([f"sd_{axis}" for axis in AXES]), findings),
        table.matrix([f"known_{axis}" for axis in AXES]),
        np.nan_to_num(table.matrix([f"known_sd_{axis}" for axis in AXES])),
    )


def _complain_of_copies(table, findings):
    """Two sights are never alike to the last digit: one was pasted twice, and would count twice."""
    names = [np.unique(table.text(name), return_inverse=True)[1] for name in ("setup", "point")]
    for before, row in again(np.column_stack([*names, table.matrix(AXES)])):
        findings.complain(table.file, int(table.lines[row]), None,
                          f"the sight of line {table.lines[before]} again", "each sight once")
