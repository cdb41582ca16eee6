"""Readings and times, proposed: which column is which reading, and how times are written."""

import difflib
import itertools
import shlex
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np

from calib.chain.rig import Rig
from calib.intake.choices import Alternative, Choice, stated
from calib.intake.declaration import Declaration
from calib.intake.files.columns import header_name
from calib.intake.files.field_units import plain
from calib.intake.files.times import ISO, patterns_of, seconds_of, zone_stated
from calib.intake.proposal.field_rows import FieldRows
from calib.intake.proposal.looks import Look
from calib.intake.proposal.words import PLACES, reading_meant
from calib.run.complaints import quote
from calib.run.numerals import is_number
from calib.run.text import split_cells, split_lines

_ALIKE = 0.4
"""A heading less like the name of a reading is no proposal for it."""

_DAY = 86400.0
_TAIL = 1 << 14


def reading_choices(
    by_role: dict[str, list[Look]], rig: Rig, declared: Declaration
) -> list[Choice]:
    """The column of each reading that is called otherwise; doubtful where none seems to be it."""
    choices = [_time_column(look) for look in by_role["log"]
               if not {"time", "date"} & set(look.meant)]
    choices += [choice for look in by_role["sheet"] for choice in _stand_column(look, declared)]
    for look in by_role["log"] + by_role["sheet"]:
        spare = [cell for i, (cell, meant) in enumerate(zip(look.header, look.meant, strict=True))
                 if meant is None and cell and _numeric(look, i)]
        proposed: list[str] = []
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
                            for head in heads or sorted(spare, key=lambda head: (
                                head in proposed, _unlike(name)(head))))
            alike = [head for head in heads or spare if head not in proposed
                     and (heads or len(spare) == 1 or -_unlike(name)(head) > _ALIKE)]
            if len(heads) == 1:
                choices.append(Choice(about, options, True, "its heading says so"))
            else:
                choices.append(Choice(about, options, False, "two columns may be it" if heads else
                                      "no heading says so",
                                      f"log.readings.{name}", "" if options and alike
                                      else f"--reading {name}=HEADING", unseen=bool(alike)))
            proposed += [options[0].says] if alike else []
    return choices


def _stand_column(look, declared):
    """The column of the stand, where its heading says so in words that mean others elsewhere."""
    if "stand" in look.meant or "stand" in declared.log.readings:
        return []
    found = [cell for i, (cell, meant) in enumerate(zip(look.header, look.meant, strict=True))
             if ((meant == "setup" and look.role != "pointings") or plain(cell) in PLACES)
             and 2 * len({row[i] for row in look.rows if i < len(row)}) <= len(look.rows)]
    return [stated(f"the column of the stand in {look.path.name}", "its heading says so", cell,
                   f"--reading stand={shlex.quote(cell)}", log={"readings": {"stand": cell}})
            for cell in found[:1]]


def _numeric(look, column):
    """Whether the first rows have numbers in a column."""
    cells = [row[column] for row in look.rows[:20] if column < len(row) and row[column]]
    return all(is_number(cell, ".") or is_number(cell, ",") for cell in cells)


def _unlike(name):
    """How unlike a reading's name a heading is, to sort by."""
    # Where there is no other, the sensor of the coupler goes by the name of the bucket.
    called = ("coupler", "bucket") if name == "coupler" else (name,)
    return lambda head: -max(difflib.SequenceMatcher(
        None, word, reading_meant(head) or plain(head)).ratio() for word in called)


def _time_column(look):
    """The column of the times, where no heading says so: one with times in order."""
    found = look.times_in_order()
    return Choice(f"the column of the time in {look.path.name}", tuple(
        Alternative(head, {"log": {"readings": {"time": head}}}, f'--reading time="{head}"')
        for head in found or [cell for cell, meant in zip(look.header, look.meant, strict=True)
                              if meant is None and cell]),
        len(found) == 1, "the only one with times in order" if len(found) == 1 else
        "no heading says so", "log.readings.time", "" if found else "--reading time=HEADING")


def time_choices(
    rows: FieldRows, by_role: dict[str, list[Look]], declared: Declaration
) -> list[Choice]:
    """Formats and zones of the times; only where a log is to be averaged."""
    if not by_role["log"]:
        return []
    look = by_role["log"][0]
    at = _time_cells(look, declared)
    shots, log = [t for t in rows.times if t], _log_times(look, at)
    if not shots or not log:
        return []
    sides = (
        _Side("the shots", "time_zone", "--time-zone", declared.time_zone, shots, rows.zones,
              [declared.time_format] if declared.time_format != ISO else patterns_of(shots[:200])),
        _Side(look.path.name, "log.time_zone", "--log-time-zone", declared.log.time_zone, log,
              tuple(filter(None, (zone_stated(header_name(look.header[i])[1] or "") for i in at))),
              [declared.log.time_format] if declared.log.time_format != ISO else patterns_of(log)))
    choices = _written(sides, declared)
    return choices if any(not c.alternatives for c in choices) else choices + _zones(sides)


@dataclass(frozen=True)
class _Side:
    """Times of the shots, or of the log. Not for outside use."""

    name: str
    key: str
    option: str
    zone: str | None  #: As declared.
    texts: list[str]
    stated: tuple[str, ...]  #: Zones that headings state.
    patterns: list[str]  #: In the end the first counts.

    @property
    def silent(self):
        """Whether nothing but perhaps a heading tells the zone."""
        return self.zone is None and seconds_of(self.texts[0], self.patterns[0], None) is None

    def span(self, pattern=None, zone=None) -> tuple[float, float]:
        """The first and the last moment, s."""
        read = (seconds_of(text, pattern or self.patterns[0], zone or self.zone or "UTC")
                for text in self.texts)
        seconds = [moment for moment in read if moment is not None]
        return min(seconds), max(seconds)


def _written(sides, declared):
    """How the times are written; leaves each side the patterns by which the shots can lie within
    the log."""
    keys = (("time_format", "--time-format"), ("log.time_format", "--log-time-format"))
    choices = [Choice(f"how times of {side.name} are written", (), False,
                      f"{quote(side.texts[0])} is in no format known here", *key)
               for side, key in zip(sides, keys, strict=True) if not side.patterns]
    if choices:
        return choices
    pairs = list(itertools.product(*(side.patterns for side in sides)))
    meeting = [pair for pair in pairs if _near(*(
        side.span(pattern) for side, pattern in zip(sides, pair, strict=True)))] or pairs
    options = []
    for pair in meeting:
        said = [(side, *key, pattern) for side, key, pattern, before in zip(
            sides, keys, pair, (declared.time_format, declared.log.time_format), strict=True)
            if pattern != before]
        options.append(Alternative(
            " and ".join(f"{quote(side.texts[0])} is {_words(pattern)}"
                         for side, _, _, pattern in said),
            _merged(*((key, pattern) for _, key, _, pattern in said)),
            " ".join(f'{option} "{pattern}"' for _, _, option, pattern in said)))
    for i, side in enumerate(sides):
        side.patterns[:] = [pair[i] for pair in meeting]
    return [] if not options[0].declares else [Choice(
        "how times are written", tuple(options), len(options) == 1,
        "day and month may be exchanged" if len(options) > 1 else "it fits all of them"
        if len(pairs) == 1 else "only so the shots were taken on a day of the log")]


def _near(shots, log):
    """Whether some zones may put the one span into the other."""
    return log[0] - _DAY <= shots[0] and shots[1] <= log[1] + _DAY


def _merged(*stated):
    """What is declared by some keys, with a point in those of a table."""
    out: dict[str, Any] = {}
    for key, value in stated:
        table, _, last = key.rpartition(".")
        (out.setdefault(table, {}) if table else out)[last] = value
    return out


def _declared(key, value, says, option):
    return Alternative(says, _merged((key, value)), f'{option} "{value}"')


def _words(pattern):
    names = {"%Y": "year", "%m": "month", "%d": "day", "%H": "hour", "%I": "hour", "%M": "minute",
             "%S": "second", "%p": "AM or PM"}
    for field, word in names.items():
        pattern = pattern.replace(field, word)
    return pattern


def _time_cells(look, declared):
    """The columns of a log's times: one, or those of date and time."""
    told = declared.log.readings.get("time")
    if told in look.header:
        return [look.header.index(told)]
    if not {"date", "time"} & set(look.meant):
        return []
    first = look.meant.index("date" if "date" in look.meant else "time")
    return list(range(first, first + 1 + ({"date", "time"} <= set(look.meant))))


def _log_times(look, at):
    """Times of the first rows of a log, and of the last."""
    with look.path.open("rb") as stream:
        stream.seek(max(look.path.stat().st_size - _TAIL, 0))
        tail = split_lines(stream.read().decode("utf-8", "replace"))[1:]
    last = [split_cells(line, look.delimiter) or () for line in tail[-3:]]
    cells = [row for row in [*look.rows[:50], *last] if at and len(row) > at[-1]]
    return [" ".join(row[i] for i in at) for row in cells]


def _zones(sides):
    """The zones of times that name none: as headings state them, else as the shots lie within the
    log."""
    silent = [side for side in sides if side.silent]
    shots, log = sides
    stated = [side for side in silent if len(set(side.stated)) == 1]
    low, high = shots.span(zone=shots.stated[0] if shots in stated else None)
    begin, end = log.span(zone=log.stated[0] if log in stated else None)
    if stated == silent and begin <= low and high <= end:
        return [Choice(f"the time zone of {side.name}", (_declared(
            side.key, side.stated[0], side.stated[0], side.option),), True,
            "the file says so, and all shots lie within the log") for side in stated]
    about = "the time zone of " + " and ".join(side.name for side in silent)
    (low, high), (begin, end) = shots.span(), log.span()
    sign = 1 if shots in silent else -1
    zones = [_zone(h) for h in sorted(np.arange(-12, 14.5, 0.5), key=abs)
             if begin <= low - sign * h * 3600 and high - sign * h * 3600 <= end]
    if len(silent) == 2 and begin <= low and high <= end:
        return [Choice(about, (Alternative(
            "none is named: one clock, taken as UTC",
            {"time_zone": "UTC", "log": {"time_zone": "UTC"}},
            "--time-zone UTC --log-time-zone UTC"),), True, "all shots lie within the log")]
    if len(silent) == 2:
        options = tuple(Alternative(
            f"{zone} for the shots, UTC for {log.name}",
            {"time_zone": zone, "log": {"time_zone": "UTC"}},
            f'--time-zone "{zone}" --log-time-zone UTC') for zone in zones[:6])
        return [Choice(about, options, False, "none is named, and the two clocks differ",
                       shots.key, shots.option)]
    options = tuple(_declared(silent[0].key, zone, zone, silent[0].option)
                    for zone in zones[:6]) if silent else ()
    said = set(silent[0].stated) if silent else set()
    if said and not said & set(zones):
        return [Choice(about, options, False, f"the file says {', '.join(sorted(said))}, but with "
                       "that not all shots lie within the log: is a clock wrong?",
                       silent[0].key, silent[0].option + " ZONE", unseen=False)]
    return [] if not silent else [Choice(
        about, options, len(zones) == 1,
        "the only zone with which all shots lie within the log" if len(zones) == 1
        else f"with {len(zones) or 'no'} zones all shots lie within the log",
        silent[0].key, silent[0].option + " ZONE" * (len(zones) > 1), unseen=len(zones) == 1)]


def _zone(hours):
    delta = timedelta(hours=abs(float(hours)))
    minutes = int(delta.total_seconds() // 60)
    return f"{'-' if hours < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"
