"""Readings and times, proposed: which column is which reading, and how times are written."""

import difflib
from datetime import timedelta

import numpy as np

from calib.chain.rig import Rig
from calib.intake.declaration import Declaration
from calib.intake.files.header_units import plain
from calib.intake.files.times import ISO, SECONDS, TimeFormat, TimeText, parse_zone
from calib.intake.proposal.choices import Alternative, Choice
from calib.intake.proposal.field_rows import FieldRows
from calib.intake.proposal.looks import Look
from calib.run.complaints import quote
from calib.run.numerals import is_number
from calib.run.text import split_cells

PATTERNS = (ISO, "%d.%m.%Y %H:%M:%S", "%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S",
            "%d-%m-%Y %H:%M:%S", "%Y/%m/%d %H:%M:%S", "%Y.%m.%d %H:%M:%S", "%Y%m%d %H%M%S",
            SECONDS)
_TAIL = 1 << 14


def reading_choices(
    by_role: dict[str, list[Look]], rig: Rig, declared: Declaration
) -> list[Choice]:
    """The column of each reading that is called otherwise; doubtful where none seems to be it."""
    choices = []
    for look in by_role["log"] + by_role["sheet"]:
        spare = [cell for i, (cell, meant) in enumerate(zip(look.header, look.meant, strict=True))
                 if meant is None and cell and _numeric(look, i)]
        for name in rig.reading_names:
            if name in declared.log.readings:
                continue
            heads = [cell for cell, meant in zip(look.header, look.meant, strict=True)
                     if meant == name]
            about = f"the column of the reading {name} in {look.path.name}"
            if len(heads) == 1 and heads[0] == name:
                continue
            options = tuple(Alternative(head, {"log": {"readings": {name: head}}},
                                        f'--reading {name}="{head}"')
                            for head in heads or sorted(spare, key=_unlike(name)))
            if len(heads) == 1:
                choices.append(Choice(about, options, True, "its heading says so"))
            else:
                choices.append(Choice(about, options, False, "two columns may be it" if heads else
                                      "no heading says so",
                                      f"log.readings.{name}",
                                      "" if options else f"--reading {name}=HEADING"))
    return choices


def _numeric(look, column):
    """Whether the first rows have numbers in a column."""
    cells = [row[column] for row in look.rows[:20] if column < len(row) and row[column]]
    return all(is_number(cell, ".") or is_number(cell, ",") for cell in cells)


def _unlike(name):
    """How unlike a reading's name a heading is, to sort by."""
    return lambda head: -difflib.SequenceMatcher(None, name, plain(head)).ratio()


def time_choices(
    rows: FieldRows, by_role: dict[str, list[Look]], declared: Declaration
) -> list[Choice]:
    """Formats and zones of the times; only where a log is to be averaged."""
    if not by_role["log"]:
        return []
    look = by_role["log"][0]
    shots, log = [t for t in rows.times if t], _log_times(look)
    if not shots or not log:
        return []
    own = None if declared.log.time_format != ISO else _formats(log)
    theirs = None if declared.time_format != ISO else _formats(shots)
    choices = []
    for about, found, example, key, option in (
            ("how the shots' times are written", theirs, shots[0], "time_format",
             "--time-format"),
            (f"how times in {look.path.name} are written", own, log[0], "log.time_format",
             "--log-time-format")):
        if found is None or (found and found[0] == ISO):
            continue
        options = tuple(_declared(key, pattern, f"{quote(example)} is {_words(pattern)}", option)
                        for pattern in found)
        choices.append(Choice(about, options, len(found) == 1,
                              "it fits all of them" if len(found) == 1 else
                              "day and month may be exchanged" if found else
                              f"{quote(example)} is in no format known here", key, option))
    shot_format = declared.time_format if theirs is None else (theirs or [None])[0]
    log_format = declared.log.time_format if own is None else (own or [None])[0]
    if shot_format and log_format:
        choices += _zones(shots, log, shot_format, log_format, look, declared)
    return choices


def _declared(key, value, says, option):
    table, _, last = key.rpartition(".")
    inner = {last: value}
    return Alternative(says, {table: inner} if table else inner, f'{option} "{value}"')


def _words(pattern):
    names = {"%Y": "year", "%m": "month", "%d": "day", "%H": "hour", "%M": "minute",
             "%S": "second"}
    for field, word in names.items():
        pattern = pattern.replace(field, word)
    return pattern


def _formats(texts):
    """The patterns in which all of these times can be read."""
    return [p for p in PATTERNS if all(_seconds(t, p, "UTC") is not None for t in texts[:200])]


def _seconds(text, pattern, zone):
    try:
        return TimeFormat(pattern, None if zone is None else parse_zone(zone)).parse(text)
    except TimeText:
        return None


def _log_times(look):
    """Times of the first rows of a log, and of the last."""
    first = look.meant.index("date" if "date" in look.meant else "time")
    both = {"date", "time"} <= set(look.meant)
    with look.path.open("rb") as stream:
        stream.seek(max(look.path.stat().st_size - _TAIL, 0))
        tail = stream.read().decode("utf-8", "replace").splitlines()[1:]
    last = [split_cells(line, look.delimiter) or () for line in tail[-3:]]
    cells = [row for row in [*look.rows[:50], *last] if len(row) > first + both]
    return [" ".join(row[first:first + 1 + both]) for row in cells]


def _zones(shots, log, shot_format, log_format, look, declared):
    """The zones of times that name none."""
    own, theirs = declared.log.time_zone, declared.time_zone
    silent_shots = theirs is None and _seconds(shots[0], shot_format, None) is None
    silent_log = own is None and _seconds(log[0], log_format, None) is None
    if not silent_shots and not silent_log:
        return []
    about = "the time zone of " + " and ".join(
        ["the shots"] * silent_shots + [look.path.name] * silent_log)
    span = [_seconds(t, log_format, own or "UTC") for t in (log[0], log[-1])]
    taken = [_seconds(t, shot_format, theirs or "UTC") for t in shots]
    if None in span or None in taken:
        return []
    low, high = min(taken), max(taken)
    if silent_shots and silent_log:
        within = span[0] <= low and high <= span[1]
        says = Alternative("none is named: one clock, taken as UTC",
                           {"time_zone": "UTC", "log": {"time_zone": "UTC"}},
                           "--time-zone UTC --log-time-zone UTC")
        return [Choice(about, (says,), within, "all shots lie within the log" if within else
                       "the shots do not lie within the log")]
    sign = 1 if silent_shots else -1
    hours = [h for h in np.arange(-12, 14.5, 0.5)
             if span[0] <= low - sign * h * 3600 and high - sign * h * 3600 <= span[1]]
    key, option = (("time_zone", "--time-zone") if silent_shots
                   else ("log.time_zone", "--log-time-zone"))
    zones = [_zone(h) for h in sorted(hours, key=abs)]
    options = tuple(_declared(key, zone, zone, option) for zone in zones[:6])
    return [Choice(about, options, len(zones) == 1,
                   "the only zone with which all shots lie within the log" if len(zones) == 1
                   else f"with {len(zones)} zones all shots lie within the log", key, option)]


def _zone(hours):
    delta = timedelta(hours=abs(float(hours)))
    minutes = int(delta.total_seconds() // 60)
    return f"{'-' if hours < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"
