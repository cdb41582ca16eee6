"""Time stamps to seconds, many at a time.

Seconds are Unix time (UTC, no leap seconds). GPS time runs ahead of UTC by a whole number of
seconds (18 since 2017, from memory): state that as a clock offset.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
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

_BETWEEN = tuple(map(ord, "T ,;\t"))
_WIDTH = {"Y": 4, "m": 2, "d": 2, "H": 2, "M": 2, "S": 2}


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
        encoded = text.strip().encode("ascii", "replace")
        chars = np.frombuffer(encoded, np.uint8)[None]
        if not chars.size:
            raise TimeText(self.says)
        seconds, problem = self.parse_many(chars, np.array([chars.shape[1]]))
        if problem[0]:
            raise TimeText(_PROBLEMS[problem[0]].format(says=self.says))
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
        seconds = np.full(len(widths), np.nan)
        problem = np.ones(len(widths), np.int8)
        if self._by_24 == self.pattern:
            for width in _distinct(widths):
                rows = np.flatnonzero(widths == width)
                seconds[rows], problem[rows] = self._parse_alike(chars[rows, :width])
        if not self.pattern.startswith("%Y"):
            for row in np.flatnonzero(problem == 1):
                full = self._in_full(chars[row, :widths[row]].tobytes())
                if full:
                    parsed = self._parse_alike(np.frombuffer(full, np.uint8)[None])
                    seconds[row], problem[row] = parsed[0][0], parsed[1][0]
        return seconds, problem

    def _in_full(self, text):
        """A time with all its digits and hours from 0 to 23; empty if it is not written so."""
        halved, parts = self._by_24 != self.pattern, re.split(r"%(.)", self._by_24)
        between = "[T ,;\\t]"
        whole = "".join(
            f"(?P<{part}>[0-9]{{{_WIDTH[part] if part in 'YMS' else '1,2'}}})" if i % 2 else
            "".join(between if c in "T " else re.escape(c) for c in part)
            for i, part in enumerate(parts))
        half = r" ?(?P<half>[AaPp])\.? ?[Mm]\.?" if halved else ""
        found = re.fullmatch(whole + "(?P<rest>.*?)" + half, text.decode("latin-1"))
        if found is None:
            return b""
        cells = found.groupdict()
        if halved:
            hour = int(cells["H"])
            if not 1 <= hour <= 12:
                return b""
            cells["H"] = str(hour % 12 + 12 * (cells["half"] in "Pp"))
        return "".join(cells[part].zfill(_WIDTH[part]) if i % 2 else part
                       for i, part in enumerate(parts)).encode() \
            + cells["rest"].encode("latin-1")

    def explain(self, problem: int) -> str:
        """What was expected, for a problem of `parse_many`."""
        return _PROBLEMS[problem].format(says=self.says)

    def _parse_alike(self, chars):
        """Times that are all as wide as `chars`."""
        n, width = chars.shape
        digits = chars - np.uint8(ord("0"))  # below "0" it wraps around to large numbers
        is_digit = digits <= 9
        good, parts, at = np.ones(n, bool), {}, 0
        for mark, field in re.findall(r"([^%]*)%(.)", self._by_24):
            end = at + len(mark) + _WIDTH[field]
            if end > width:
                return np.full(n, np.nan), np.ones(n, np.int8)
            for i, c in enumerate(mark):
                # Between date and time anything may stand: a T, a space, the mark between columns.
                good &= np.isin(chars[:, at + i], _BETWEEN if c in "T " else ord(c))
            at += len(mark)
            good &= is_digit[:, at:end].all(axis=1)
            parts[field] = _number(digits[:, at:end])
            at = end
        fraction, at = _fraction(chars, digits, is_digit, at)
        offset, has_zone, zone_good = _offset(chars, digits, is_digit, at)
        good &= zone_good & ~np.isnan(fraction)
        limits = {"m": (1, 12), "d": (1, 31), "H": (0, 23), "M": (0, 59), "S": (0, 59)}
        for field, (low, high) in limits.items():
            good &= (parts[field] >= low) & (parts[field] <= high)
        good &= (parts["Y"] >= 1970) & (parts["Y"] <= 2200)
        days = np.full(n, np.nan)
        dates = parts["Y"] * 10000 + parts["m"] * 100 + parts["d"]
        for date in _distinct(dates[good]):
            days[dates == date] = _day(int(date))
        good &= ~np.isnan(days)
        seconds = days * 86400 + parts["H"] * 3600 + parts["M"] * 60 + parts["S"]
        problem = np.where(good, 0, 1).astype(np.int8)
        if has_zone:
            return np.where(good, seconds - offset + fraction, np.nan), problem
        utc, local_problem = self._to_utc(seconds, problem == 0)
        problem = np.where(problem == 0, local_problem, problem).astype(np.int8)
        return np.where(problem == 0, utc + fraction, np.nan), problem

    def _to_utc(self, seconds, good):
        """Local whole seconds to UTC in the declared zone; and problems."""
        problem = np.zeros(len(seconds), np.int8)
        if self.zone is None:
            problem[:] = 2
            return seconds, problem
        out = seconds.copy()
        quarter = np.floor(seconds / 900.0)
        for q in _distinct(quarter[good]):
            local = datetime.fromtimestamp(q * 900.0, UTC).replace(tzinfo=None)
            first = local.replace(tzinfo=self.zone, fold=0).utcoffset()
            second = local.replace(tzinfo=self.zone, fold=1).utcoffset()
            rows = good & (quarter == q)
            out[rows] -= first.total_seconds()
            problem[rows] = 3 if first != second else 0
        return out, problem


_PROBLEMS = {
    1: "{says}",
    2: "a time with its zone, such as 2031-05-04T09:30:00+02:00, or the zone declared",
    3: "a time outside the hour in which the clock is changed (state the offset itself, such as "
       "+02:00, not a zone with summer time)",
}


def _distinct(values):
    """Sorted distinct values; most often there is one, and no need to sort."""
    if len(values) and (values == values[0]).all():
        return values[:1]
    return np.unique(values)


def _number(digits):
    """The numbers that columns of digits spell, shape (n,)."""
    out = np.zeros(len(digits), np.int64)
    for column in digits.T:
        out *= 10
        out += column
    return out


def _day(date):
    """Days since 1970-01-01, NaN if there is no such day."""
    try:
        when = datetime(date // 10000, date // 100 % 100, date % 100, tzinfo=UTC)
    except ValueError:
        return np.nan
    return when.timestamp() / 86400.0


def _fraction(chars, digits, is_digit, at):
    """Decimal fraction of the seconds, and where it ends in all rows; NaN in
    rows that are written otherwise."""
    n, width = chars.shape
    marks = (ord("."), ord(","))
    if at >= width or chars[0, at] not in marks:
        return np.zeros(n), at
    end = at + 1
    while end < width and is_digit[0, end]:
        end += 1
    count = min(end - at - 1, 9)
    fraction = _number(digits[:, at + 1:at + 1 + count]) / 10.0**count
    good = is_digit[:, at + 1:end].all(axis=1) & np.isin(chars[:, at], marks) & (end > at + 1)
    return np.where(good, fraction, np.nan), end


def _offset(chars, digits, is_digit, at):
    """Offset from UTC in seconds, whether there is one, and which rows are in order."""
    n, width = chars.shape
    rest = width - at
    if rest == 0:
        return np.zeros(n), False, np.ones(n, bool)
    if rest == 1:
        return np.zeros(n), True, chars[:, at] == ord("Z")
    colon = rest == 6
    if rest not in (5, 6):
        return np.zeros(n), True, np.zeros(n, bool)
    sign = np.where(chars[:, at] == ord("-"), -1.0, 1.0)
    good = np.isin(chars[:, at], (ord("+"), ord("-")))
    columns = [at + 1, at + 2, at + 4, at + 5] if colon else [at + 1, at + 2, at + 3, at + 4]
    good &= is_digit[:, columns].all(axis=1)
    if colon:
        good &= chars[:, at + 3] == ord(":")
    hours, minutes = _number(digits[:, columns[:2]]), _number(digits[:, columns[2:]])
    good &= (hours <= 14) & (minutes < 60)
    return sign * (hours * 3600 + minutes * 60), True, good


def _plain_seconds(chars, widths, thousandths):
    """Decimal numbers; anything but digits and one mark is a problem, or what is no time here."""
    width = chars.shape[1]
    inside = np.arange(width) < widths[:, None]
    mark = ((chars == ord(".")) | (chars == ord(","))) & inside
    digit = (chars >= ord("0")) & (chars <= ord("9"))
    good = (digit | mark | ~inside).all(axis=1) & (mark.sum(axis=1) <= 1) & (widths > 0)
    good &= (digit & inside).any(axis=1)
    text = np.where(inside, np.where(mark, ord("."), chars), 0).astype(np.uint8)
    text[~good] = 0
    text[~good, 0] = ord("0")
    seconds = np.ascontiguousarray(text).view(f"S{width}")[:, 0].astype(float)
    if thousandths:
        good &= seconds >= 1e11
        seconds /= 1000.0
    good &= seconds < _LATEST
    return np.where(good, seconds, np.nan), np.where(good, 0, 1).astype(np.int8)
