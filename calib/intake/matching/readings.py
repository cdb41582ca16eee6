"""Readings of the poses: from a time-stamped log, or from a hand-written sheet."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from scipy.spatial.distance import pdist, squareform

from calib.chain.rig import Rig
from calib.intake.choices import Alternative, Choice, Doubtful
from calib.intake.declaration import LogDeclaration
from calib.intake.files.columns import with_our_names
from calib.intake.files.field_units import DEGREES, STROKES, as_read, reading_units
from calib.intake.files.log import LogLayout, LogRows, blocks, gather, read_layout, read_rows
from calib.intake.files.sheet_lines import sheet_lines
from calib.intake.matching.clock import (
    ClockOffset,
    NoOffset,
    estimate,
    estimate_from_track,
    movement,
)
from calib.intake.matching.dwell import dwell
from calib.intake.matching.field_shots import FieldShot, Source
from calib.run.complaints import Findings, lines_in_words, quote
from calib.run.copies import note_same_readings
from calib.run.numerals import NotANumber
from calib.run.table import (
    ID,
    MEASURED,
    NOTE,
    READING_SD,
    TIME,
    Column,
    complain_of_repeats,
    read_table,
)
from calib.run.text import decode, split_lines
from calib.run.units import SDS, half_circle

_ARM = 0.6
"""A stroke moves by about this much per radian of its joint, m (common practice, no source)."""

BESIDE = ("pose", "stand", "time")
"""Columns of a sheet beside the readings."""

_FEW_MOVE = 0.25
"""Where the machine moved in a larger share of the poses, a clock is rather wrong."""

_THINNED = 0.05
"""When the clock offset is estimated, the log is looked at in steps of this many seconds."""


@dataclass(frozen=True)
class PoseReadings:
    """Readings of one pose."""

    values: np.ndarray  #: Shape (k,), deg, or m of a stroke, in the rig's order.
    sd: np.ndarray  #: Shape (k,), deg; NaN: as rig.toml says.
    stand: str  #: "" where nobody said.
    seconds: float  #: NaN: not known.
    source: Source
    #: Words of the rig's pose columns, as they were written.
    noted: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Track:
    """A target followed while the machine moved: seconds (n,) on the shots' clock, position (n, 3)
    in m."""

    seconds: np.ndarray
    position: np.ndarray


def read_sheet(
    data: bytes, file: str, rig: Rig, headers: dict[str, str], findings: Findings,
    shot_in: Mapping[int, str] | None = None, still: float = 0.1,
) -> dict[str, PoseReadings]:
    """A hand-written sheet: pose, perhaps stand, one column per reading in deg.

    Parameters
    ----------
    headers : dict of str to str
        For readings, pose, stand and time whose column is called otherwise.
    shot_in : mapping of int to str, optional
        Of a file with shots in the same rows: the pose that was shot in each line. Without a
        column of poses these are those of the readings; the rows of a pose are averaged.
    still : float
        How far apart, deg, the readings of one pose may then be.
    """
    text = decode(data, file, findings)
    called = {name: headers.get(name, name) for name in rig.reading_names}
    columns = [Column("pose", ID, required=shot_in is None), Column("stand", ID, required=False)]
    columns += [Column("time", TIME, required=False)] if shot_in is None else []
    columns += [Column(header, MEASURED) for header in called.values()]
    columns += [Column(f"sd_{name}", READING_SD, required=False) for name in called]
    columns += [Column(column.name, NOTE, required=False) for column in rig.pose_columns]
    table = None if text is None else read_table(
        with_our_names(
            sheet_lines(text, called.values(), shot_in is not None, file, findings), BESIDE,
            called={headers[name]: name for name in BESIDE if name in headers}),
        file, columns, findings, note_extra=shot_in is None)
    if text is None or table is None:
        return {}
    if shot_in is None:
        complain_of_repeats(table, "pose", findings, "each pose once")
    units = reading_units(called, file, table.header_line, findings, rig.strokes)
    values = _sheet_values(table, called, units, rig.strokes, findings)
    blank, lines = ("",) * len(table), table.lines.tolist()
    poses = table.texts.get("pose", blank if shot_in is None else
                            tuple(shot_in.get(line, "") for line in lines))
    rows = _rows_of_poses(poses)
    if shot_in is not None:
        _average(values, rows, _still(rig, still), table, [*called.values()], findings)
    note_same_readings(values[[of[0] for of in rows.values()]], [*rows], file,
                       [lines[of[0]] for of in rows.values()], findings)
    sd = table.matrix(f"sd_{name}" for name in called)
    stands, times = table.texts.get("stand", blank), table.texts.get("time", blank)
    raw, digest = split_lines(text), hashlib.sha256(data).hexdigest()
    out = {}
    for pose, (row, *others) in rows.items():
        seconds = datetime.fromisoformat(times[row]).timestamp() if times[row] else np.nan
        source = Source(file, tuple(lines[i] for i in (row, *others)), digest,
                        raw[lines[row] - 1].strip(), _as_written(units)
                        + (f"; mean of {1 + len(others)} rows" if others else ""))
        noted = {c.name: table.texts[c.name][row] for c in rig.pose_columns
                 if c.name in table.texts}
        out[pose] = PoseReadings(values[row], sd[row], stands[row], seconds, source, noted)
    return out


def _rows_of_poses(poses):
    """The rows of each pose; those of none are left out."""
    rows: dict[str, list[int]] = {}
    for row, pose in enumerate(poses):
        if pose:
            rows.setdefault(pose, []).append(row)
    return rows


def _average(values, rows, still, table, headings, findings):
    """Put the mean of the rows of each pose into the first; complain where the machine moved."""
    for pose, (first, *others) in rows.items():
        moved = half_circle(values[[first, *others]] - values[first])
        values[first] = half_circle(values[first] + moved.mean(axis=0))
        row, worst = np.unravel_index(np.argmax(np.abs(moved) / still), moved.shape)
        if abs(moved[row, worst]) > still[worst]:
            findings.complain(
                table.file, int(table.lines[[first, *others][row]]), headings[worst],
                f"{moved[row, worst]:+.4g} from line {table.lines[first]}, the same pose "
                f"{quote(pose)}", f"a machine at rest, within {still[worst]:.2g}, while a pose is "
                "shot (did it move, or is this another pose?)")


def _still(rig, still):
    """How far each reading may move of a machine at rest, from `still` deg; m of a stroke."""
    return np.array([still if r.unit == "deg" else np.radians(still) * _ARM for r in rig.readings])


def _sheet_values(table, called, units, strokes, findings):
    """Readings of a sheet, shape (n, k), deg or m; NaN after a complaint."""
    values = np.full((len(table), len(called)), np.nan)
    for i, (name, header) in enumerate(called.items()):
        for row, number in enumerate(table.numbers.get(header, ())):
            if np.isnan(number):
                continue
            try:
                values[row, i] = as_read(number, units.get(name), strokes.get(name))
            except NotANumber as error:
                findings.complain(table.file, int(table.lines[row]), header, f"{number:g}",
                                  error.expected)
    turned = np.abs(values) > 180.0
    if turned.any():
        findings.note(table.file, f"{int(turned.sum())} reading(s) beyond 180 deg are taken as the "
                      "same angles from -180 to 180")
    return np.where(turned, half_circle(values), values)


def _as_written(units):
    """What was done to readings, for the record."""
    return "degrees as written" + "".join(
        f"; {name} in {unit}, times {(DEGREES | STROKES)[unit]:.10g}"
        for name, unit in units.items())


def read_log(
    path: Path, rig: Rig, declared: LogDeclaration, shots: list[FieldShot], track: Track | None,
    findings: Findings,
) -> tuple[dict[str, PoseReadings], ClockOffset | None]:
    """Average a log over the dwell of every pose: its first to its last shot, half a window more.

    Parameters
    ----------
    track : Track or None
        To estimate the clock offset with, if that is declared; else the shots must do.

    Returns
    -------
    dict of str to PoseReadings
    ClockOffset or None
        What was found if the offset had to be estimated.

    Raises
    ------
    Doubtful
        If nothing is wrong but that the machine moved.
    """
    untimed = _complain_of_untimed(shots, findings)
    names = {name: tuple(filter(None, [declared.readings.get(name)]))
             for name in rig.reading_names}
    for name in {"pose", "stand"} & set(declared.readings):
        findings.complain("--reading", None, None, quote(f"{name}={declared.readings[name]}"),
                          "a sheet for it (--sheet): of a log only readings and time are used")
    layout = read_layout(path, findings, names, declared.readings.get("time"), rig.strokes)
    if untimed or layout is None:
        return {}, None
    offset, found = declared.clock_offset, None
    if offset == "estimate":
        found = _estimated_offset(path, layout, declared, shots, track, findings)
        if found is None:
            return {}, None
        offset = found.offset
    poses: dict[str, tuple[float, float]] = {}
    for shot in shots:
        low, high = poses.get(shot.booked.pose, (np.inf, -np.inf))
        poses[shot.booked.pose] = (min(low, shot.seconds), max(high, shot.seconds))
    windows = np.array(list(poses.values())) + offset + declared.window / 2 * np.array([-1, 1])
    rows, summary = gather(path, layout, declared.times(), windows, findings)
    _note_summary(path.name, summary, windows, findings)
    if findings.complaints or _all_outside(path.name, summary, windows, findings):
        return {}, found
    out: dict[str, PoseReadings] = {}
    moved: list[str] = []
    for pose, window, found_rows in zip(poses, windows, rows, strict=True):
        averaged = _averaged(path.name, rig, declared, (pose, window, offset), found_rows, summary,
                             layout.units, moved, findings)
        if averaged is not None:
            mean, sd, source = averaged
            out[pose] = PoseReadings(mean, sd, "", float(window.mean() - offset), source)
    if moved and len(findings.complaints) == len(moved):
        raise Doubtful([_moving_choice(moved, len(poses), declared)],
                       complaints=findings.complaints)
    return out, found


def _complain_of_untimed(shots, findings):
    """Whether there are shots without a time."""
    untimed = [shot for shot in shots if np.isnan(shot.seconds)]
    for shot in untimed[:20]:
        findings.complain(shot.file, shot.line, "time", "nothing",
                          "the time of the shot, to find its readings in the log")
    return bool(untimed)


def _all_outside(file, summary, windows, findings):
    """Whether no pose was shot while the log ran; complains of it as one thing."""
    outside = (windows[:, 1] < summary.start) | (windows[:, 0] > summary.end)
    if len(windows) < 2 or not outside.all():
        return False
    findings.complain(
        file, None, "time", f"no row while a shot was taken: shots from {_utc(windows.min())} to "
        f"{_utc(windows.max())}, the log from {_utc(summary.start)} to {_utc(summary.end)}",
        "the log of these poses, or its clock put right (--clock-offset SECONDS; --time-zone and "
        "--log-time-zone of times that name no zone)")
    return True


def _moving_choice(moved, count, declared):
    """What becomes of poses in which the machine moved: of many the clock is asked first."""
    flag = Alternative("taken in the mean, as uncertain as they moved", {"log": {"moving": "flag"}},
                       "--moving flag")
    estimate = Alternative("the log's clock is off: found from the movements",
                           {"log": {"clock_offset": "estimate"}}, "--clock-offset estimate")
    many = len(moved) > _FEW_MOVE * count and not declared.clock_offset
    return Choice(
        f"what becomes of {len(moved)} of {count} poses in which the machine moved",
        (estimate, flag) if many else (flag,), False, "; ".join(moved[:3])
        + ("; ..." if len(moved) > 3 else "") + " (or leave the shots of such poses out of the "
        "file)", unseen=False)


def poses_alike(readings: Mapping[str, PoseReadings], rig: Rig, still: float) -> list[str]:
    """Poses with the readings of another, as far as a machine at rest may sway by `still` deg."""
    if len(readings) < 2:
        return []
    apart = squareform(pdist([pose.values / _still(rig, still) for pose in readings.values()],
                             "chebyshev"))
    return [name for name, row in zip(readings, apart, strict=True) if np.sum(row < 1.0) > 1]


def _averaged(file, rig, declared, when, rows, summary, units, moved, findings):
    """Mean readings, sds of those that moved, their source; None after a complaint.

    `moved` gets a pose that is refused because the machine moved, in words.
    """
    pose, window, offset = when
    span = f"{_utc(window[0])} to {_utc(window[1])}"
    result = dwell(rows, window)
    if result is None:
        findings.complain(
            file, rows.lines[0] if rows.lines else None, None,
            f"{len(rows.lines)} rows for pose {quote(pose)} ({span}, log clock)",
            "at least 3 rows while its shots were taken (the log covers "
            f"{_utc(summary.start)} to {_utc(summary.end)})")
        return None
    if result.longest_gap > max(1.0, 0.25 * (window[1] - window[0])):
        findings.complain(
            file, result.first_line, None,
            f"{result.longest_gap:.1f} s without a row for pose {quote(pose)} ({span})",
            "rows all the while its shots were taken")
        return None
    still = _still(rig, declared.still)
    moving = result.moving(still)
    if moving.any():
        worst = int(np.argmax(np.maximum(result.scatter, np.abs(result.drift)) / still * moving))
        reading = rig.readings[worst]
        decimals = 2 if reading.unit == "deg" else 3
        says = (f"pose {quote(pose)}: {reading.name} moved (drift "
                f"{result.drift[worst]:+.{decimals}f} {reading.unit}, scatter "
                f"{result.scatter[worst]:.{decimals}f} {reading.unit}, {span}, log clock)")
        if declared.moving == "refuse":
            moved.append(f"pose {pose}: {reading.name} by "
                         f"{max(abs(result.drift[worst]), result.scatter[worst]):.{decimals}f} "
                         f"{reading.unit}")
            findings.complain(file, result.first_line, rig.reading_names[worst], says,
                              f"a machine at rest, within {still[worst]:.2g} {reading.unit} (clock "
                              "offset wrong? a shorter --window? --moving flag lets it pass)")
            return None
        findings.note(file, "the machine moved in " + says, result.first_line)
    largest = int(np.argmax(result.scatter / still))
    # The shots were taken at some moment of the movement.
    sd = np.where(moving, np.minimum(np.hypot(result.scatter, result.drift / np.sqrt(12.0)),
                                     [SDS[r.unit][1] for r in rig.readings]), np.nan)
    return result.mean, sd, Source(
        file, (result.first_line, result.last_line), summary.sha256, "",
        f"mean of {result.count} rows, {span}; clock offset {offset:+.3f} s; largest scatter "
        f"{result.scatter[largest]:.3f} {rig.readings[largest].unit} "
        f"({rig.reading_names[largest]}); {_as_written(units)}")


def _estimated_offset(path, layout: LogLayout, declared, shots, track, findings):
    """Clock offset from the movements; None after a complaint."""
    rows, last = LogRows(), -np.inf
    for block in blocks(path, layout, declared.times(), findings, hashlib.sha256()):
        step = np.floor(block.seconds / _THINNED)
        wanted = np.flatnonzero(np.diff(step, prepend=last) > 0)
        read_rows(block, wanted.tolist(), layout, path.name, findings, rows)
        last = step[-1] if len(step) else last
        if findings.complaints:
            return None
    seconds, readings = np.array(rows.seconds), np.array(rows.readings)
    try:
        if len(seconds) < 10:
            raise NoOffset("the log has hardly any rows")
        if track is not None:
            offset = estimate_from_track(seconds, readings, track.seconds, track.position)
        else:
            number = {p: i for i, p in enumerate(dict.fromkeys(s.booked.pose for s in shots))}
            offset = estimate(movement(seconds, readings), np.array([s.seconds for s in shots]),
                              np.array([number[s.booked.pose] for s in shots]))
    except NoOffset as error:
        findings.complain(path.name, None, "time", str(error),
                          "movements that fit the shots, or --clock-offset SECONDS")
        return None
    findings.note(path.name, f"clock offset estimated: the log runs {offset.offset:+.2f} s "
                  f"against the shots, within +-{offset.bound:.2f} s"
                  + (" (95 %, from the track)" if track is not None else "")
                  + (f"; {offset.misfits} shot(s) or change(s) of pose do not fit"
                     if offset.misfits else ""))
    return offset


def _note_summary(file, summary, windows, findings):
    findings.note(file, f"{summary.rows:,} rows from {_utc(summary.start)} to "
                  f"{_utc(summary.end)} (log clock)")
    if summary.gaps:
        longest = max(summary.gaps, key=lambda gap: gap.end - gap.start)
        lines = [gap.line for gap in summary.gaps]
        touched = sum(bool(((windows[:, 0] < gap.end) & (windows[:, 1] > gap.start)).any())
                      for gap in summary.gaps)
        findings.note(
            file, f"{len(summary.gaps)} gap(s) before {lines_in_words(lines)}, the longest "
            f"{longest.end - longest.start:.1f} s (line {longest.line}); {touched} of them while "
            "shots were taken")


def _utc(seconds):
    if not np.isfinite(seconds):
        return "?"
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%d %H:%M:%SZ")
