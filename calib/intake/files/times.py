"""Time stamps to seconds, many at a time.

Seconds are Unix time (UTC, no leap seconds). GPS time runs ahead of UTC by a whole number of
seconds (18 since 2017, from memory): state that as a clock offset.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np

ISO = "%Y-%m-%dT%H:%M:%S"
SECONDS = "seconds"
"""A format: plain seconds, Unix time."""

MILLISECONDS = "milliseconds"
"""A format: the same in thousandths, as whole numbers from 1973 on."""

PATTERNS = (ISO, "%d.%m.%Y %H:%M:%S", "%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S",
            "%d/%m/%Y %I:%M:%S %p", "%m/%d/%Y %I:%M:%S %p", "%d-%m-%Y %H:%M:%S",
            "%Y/%m/%d %H:%M:%S", "%Y.%m.%d %H:%M:%S", "%Y%m%d %H%M%S", SECONDS, MILLISECONDS)
"""Ways in which times are found written."""

_LATEST = 7_258_118_400.0
"""No time here is after 2199, seconds."""

_ZONES = {"utc": 0, "gmt": 0, "wez": 0, "wet": 0, "wesz": 1, "west": 1, "mez": 1, "cet": 1,
          "mesz": 2, "cest": 2, "oez": 2, "eet": 2, "oesz": 3, "eest": 3}
"""Hours ahead of UTC of zones that have one meaning: common practice, no source. Which EST is meant
depends on the continent."""

_FINEST = 9
"""Decimals of a second that are read."""


class TimeText(ValueError):
    """A time that cannot be used; the message says what was expected."""


def parse_zone(text: str) -> timezone | ZoneInfo:
    """A time zone from what a person declared: ``UTC``, ``+02:00`` or a name like ``Etc/GMT-2``.

    Raises
    ------
    TimeText
    """
    if text.strip().upper() in ("UTC", "Z"):
        return UTC
    match = re.fullmatch(r"\s*([+-])(\d{1,2}):?(\d{2})?\s*", text)
    if match and int(match[2]) <= 14 and int(match[3] or 0) < 60:
        minutes = int(match[2]) * 60 + int(match[3] or 0)
        return timezone(timedelta(minutes=-minutes if match[1] == "-" else minutes))
    try:
        return ZoneInfo(text.strip())
    except (KeyError, ValueError, OSError):
        raise TimeText(f'"{text}" is no time zone; write UTC, an offset such as +02:00, or a name '
                       "of the tz database") from None


def zone_stated(text: str) -> str | None:
    """The zone that a heading's unit states, as `parse_zone` takes it; None if none is known.

    Examples
    --------
    >>> zone_stated("MESZ"), zone_stated("UTC+2"), zone_stated("local"), zone_stated("UTC")
    ('+02:00', '+02:00', None, 'UTC')
    """
    match = re.fullmatch(r"(?i)\s*([a-z]*)\s*(?:([+-])(\d{1,2}):?(\d{2})?)?\s*", text)
    name, sign = (match[1].casefold(), match[2]) if match else ("", None)
    if not match or ((name or not sign) and name not in (("utc", "gmt") if sign else _ZONES)):
        return None
    if sign:
        return f"{sign}{int(match[3]):02d}:{match[4] or '00'}"
    return f"+{_ZONES[name]:02d}:00" if _ZONES[name] else "UTC"


def patterns_of(texts: Sequence[str]) -> list[str]:
    """The `PATTERNS` in which all of some times can be read."""
    return [p for p in PATTERNS if texts and all(seconds_of(t, p, "UTC") is not None
                                                 for t in texts)]


def seconds_of(text: str, pattern: str, zone: str | None) -> float | None:
    """One time, s; None if it cannot be read so."""
    try:
        return TimeFormat(pattern, None if zone is None else parse_zone(zone)).parse(text)
    except TimeText:
        return None


@dataclass(frozen=True)
class TimeFormat:
    """How times are written."""

    #: ``seconds``, ``milliseconds``, or %Y %m %d %H %M %S with marks between; %I and, at the end,
    #: %p for hours with AM and PM. After the seconds a decimal fraction and ``Z`` or an offset may
    #: stand. Where the year is not first, day, month and hour may have one digit.
    pattern: str = ISO
    zone: timezone | ZoneInfo | None = None  #: For times without one.

    def __post_init__(self):
        if self.pattern in (SECONDS, MILLISECONDS):
            return
        fields = re.findall(r"%(.)", self._by_24)
        if sorted(fields) != sorted("YmdHMS") or not self._by_24.endswith("%S"):
            raise TimeText(f'"{self.pattern}" is no time format; write "seconds", "milliseconds", '
                           "or one with %Y, %m, %d, %H, %M and, last, %S, such as "
                           "%d.%m.%Y %H:%M:%S, or with %I:%M:%S %p at its end")

    @property
    def _by_24(self):
        """The pattern with hours from 0 to 23."""
        halved = "%I" in self.pattern and self.pattern.endswith(" %p")
        return self.pattern.replace("%I", "%H").removesuffix(" %p") if halved else self.pattern

    @property
    def says(self) -> str:
        """An example for messages."""
        if self.pattern in (SECONDS, MILLISECONDS):
            return f"{self.pattern} since 1970, such as " + (
                "1900000000.25" if self.pattern == SECONDS else "1900000000250")
        when = datetime(2031, 5, 4, 9, 30, 0).strftime(self.pattern)
        return f"a time such as {when}" + ("" if self.zone else "+02:00")

    @cached_property
    def _written(self):
        """Matches a time: its parts by their letters, fraction, zone, and half of the day."""
        lead = "2" if self.pattern.startswith("%Y") else "1,2"
        digits = {"Y": "4", "m": lead, "d": lead, "H": lead, "M": "2", "S": "2"}
        # Between date and time anything may stand: a T, a space, the mark between columns.
        whole = "".join(
            f"(?P<{part}>[0-9]{{{digits[part]}}})" if i % 2 else
            "".join(r"[T ,;\t]" if c in "T " else re.escape(c) for c in part)
            for i, part in enumerate(re.split(r"%(.)", self._by_24)))
        half = r" ?(?P<half>[AaPp])\.? ?[Mm]\.?" if self._by_24 != self.pattern else ""
        return re.compile(whole + r"(?:[.,](?P<fraction>[0-9]+))?"
                          r"(?P<zone>Z|[+-](?:0[0-9]|1[0-4]):?[0-5][0-9])?" + half)

    def parse(self, text: str) -> float:
        """One time in seconds.

        Raises
        ------
        TimeText

        Examples
        --------
        >>> TimeFormat().parse("1970-01-02T00:00:00.5+00:00")
        86400.5
        """
        encoded = text.strip().encode("ascii", "replace") or b" "
        seconds, problem = self.parse_many(np.frombuffer(encoded, np.uint8)[None],
                                           np.array([len(encoded)]))
        if problem[0]:
            raise TimeText(self.explain(problem[0]))
        return float(seconds[0])

    def parse_many(self, chars: np.ndarray, widths: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Times from characters.

        Parameters
        ----------
        chars : ndarray of uint8, shape (n, w)
            ASCII, each row filled up with anything beyond its width.
        widths : ndarray of int, shape (n,)

        Returns
        -------
        seconds : ndarray, shape (n,)
        problem : ndarray of int, shape (n,)
            0 where the time is good, else a key of the messages in `explain`.
        """
        if self.pattern in (SECONDS, MILLISECONDS):
            return _plain_seconds(chars, widths, self.pattern == MILLISECONDS)
        seconds, problem = np.full(len(widths), np.nan), np.ones(len(widths), np.int8)
        for width in np.unique(widths):
            rows = np.flatnonzero(widths == width)
            seconds[rows], problem[rows] = self._parse_alike(chars[rows, :width])
        return seconds, problem

    def explain(self, problem: int) -> str:
        """What was expected, for a problem of `parse_many`."""
        return _PROBLEMS[problem].format(says=self.says)

    def _parse_alike(self, chars):
        """Times that are all as wide as `chars`: each second is read once, where it begins."""
        first = self._written.fullmatch(chars[0].tobytes().decode("latin-1"))
        begin, end = first.span("fraction") if first and first["fraction"] else (0, 0)
        rest, alike, fraction = chars, np.ones(len(chars), bool), 0.0
        if end:
            digits = chars[:, begin:end] - np.uint8(ord("0"))  # what is less wraps around
            alike = (digits <= 9).all(axis=1) & np.isin(chars[:, begin - 1], (ord("."), ord(",")))
            digits = digits[:, :_FINEST]
            fraction = digits @ 10.0 ** np.arange(digits.shape[1])[::-1] / 10.0**digits.shape[1]
            rest = np.delete(chars, slice(begin - 1, end), axis=1)
        begins = np.append(True, (rest[1:] != rest[:-1]).any(axis=1))
        at = np.flatnonzero(begins)
        whole = np.array([self._moment(row.tobytes().decode("latin-1")) for row in rest[at]])
        run = np.cumsum(begins) - 1
        seconds, problem = whole[run, 0] + fraction, whole[run, 1].astype(np.int8)
        for row in np.flatnonzero(~alike | (problem == 1)):
            seconds[row], problem[row] = self._moment(chars[row].tobytes().decode("latin-1"))
        return seconds, problem

    def _moment(self, text):
        """One time in seconds, and 0; NaN and the problem."""
        found = self._written.fullmatch(text)
        if found is None:
            return np.nan, 1
        year, month, day, hour, minute, second = (int(found[part]) for part in "YmdHMS")
        if self._by_24 != self.pattern:
            # 12 stands for 0; 0 and 13 are no hours of half a day.
            hour = hour % 12 + 12 * (found["half"] in "Pp") if 1 <= hour <= 12 else 24
        try:
            local = datetime(year, month, day, hour, minute, second)
        except ValueError:
            return np.nan, 1
        zone = parse_zone(found["zone"]) if found["zone"] else self.zone
        if not 1970 <= year <= 2200:
            return np.nan, 1
        if zone is None:
            return np.nan, 2
        early, late = (local.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
        if early.utcoffset() != late.utcoffset():
            return np.nan, 3
        return early.timestamp() + float(f"0.{(found['fraction'] or '0')[:_FINEST]}"), 0


_PROBLEMS = {
    1: "{says}",
    2: "a time with its zone, such as 2031-05-04T09:30:00+02:00, or the zone declared",
    3: "a time outside the hour in which the clock is changed (state the offset itself, such as "
       "+02:00, not a zone with summer time)",
}


def _plain_seconds(chars, widths, thousandths):
    """Decimal numbers; anything but digits and one mark is a problem, or what is no time here."""
    inside = np.arange(chars.shape[1]) < widths[:, None]
    text = np.where(inside, chars, 0).astype(np.uint8).view(f"S{chars.shape[1]}")[:, 0]
    text = np.char.replace(text, b",", b".")
    good = np.char.isdigit(np.char.replace(text, b".", b"", 1))
    seconds = np.where(good, text, b"nan").astype(float)
    if thousandths:
        good &= seconds >= 1e11
        seconds /= 1000.0
    good &= seconds < _LATEST
    return np.where(good, seconds, np.nan), np.where(good, 0, 1).astype(np.int8)
