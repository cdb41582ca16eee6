"""Time stamps: zones, summer time, fractions, and what is refused."""

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.intake.files.times import MILLISECONDS, SECONDS, TimeFormat, TimeText, parse_zone

MOMENTS = st.datetimes(datetime(1971, 1, 1), datetime(2190, 1, 1))


@given(MOMENTS, st.integers(-14 * 60, 14 * 60), st.integers(0, 6), st.sampled_from("T "))
def test_iso_against_the_standard_library(moment, offset, digits, between):
    """Any ISO time with an offset is the same moment that `datetime` makes of it."""
    zone = timezone(timedelta(minutes=offset))
    text = moment.replace(microsecond=0).isoformat(between)
    fraction = f"{moment.microsecond:06d}"[:digits]
    text += ("." + fraction if digits else "") + datetime.now(zone).strftime("%z")
    expected = moment.replace(microsecond=0, tzinfo=zone).timestamp()
    expected += int(fraction) / 10**digits if digits else 0
    assert TimeFormat().parse(text) == pytest.approx(expected, abs=1e-5)


@given(st.lists(MOMENTS, min_size=1, max_size=20))
def test_many_at_once_are_as_one_by_one(moments):
    """Times of different widths in one block come out as each alone."""
    texts = [m.isoformat() + "Z" for m in moments]
    width = max(map(len, texts))
    chars = np.array([list(t.encode().ljust(width, b"?")) for t in texts], np.uint8)
    times = TimeFormat()
    seconds, problem = times.parse_many(chars, np.array([len(t) for t in texts]))
    assert not problem.any()
    assert seconds.tolist() == [times.parse(t) for t in texts]


def test_times_of_one_width_may_be_written_unlike():
    """Beside others as wide, a time is what it is alone."""
    texts = ["2031-05-04T09:30:00.5Z", "2031-05-04T09:30:00,25", "2031-05-04T09:30+02:00",
             "2031-05-04T09:30:0x.5Z", "2031-05-04T09:30:00.7Z"]
    chars = np.array([list(t.encode()) for t in texts], np.uint8)
    seconds, problem = TimeFormat(zone=UTC).parse_many(chars, np.full(5, 22))
    assert problem.tolist() == [0, 0, 1, 1, 0]
    np.testing.assert_allclose(seconds[[0, 1, 4]] - seconds[0], [0, -0.25, 0.2], atol=1e-6)


def test_a_zone_by_name_knows_summer_time():
    """The same wall clock is another moment in January and July."""
    times = TimeFormat("%d.%m.%Y %H:%M:%S", parse_zone("Europe/Berlin"))
    for text, hour in (("15.01.2031 12:00:00", 11), ("15.07.2031 12:00:00", 10)):
        moment = datetime.fromtimestamp(times.parse(text), UTC)
        assert moment.hour == hour


def test_the_doubled_hour_is_refused():
    """A wall clock time that occurs twice cannot be guessed."""
    times = TimeFormat("%d.%m.%Y %H:%M:%S", parse_zone("Europe/Berlin"))
    with pytest.raises(TimeText, match="clock is changed"):
        times.parse("27.10.2030 02:30:00")
    assert times.parse("27.10.2030 04:30:00") > 0


@pytest.mark.parametrize("text", [
    "", "2031-05-04", "2031-02-30T10:00:00Z", "2031-05-04T24:00:00Z", "2031-05-04T10:60:00Z",
    "04/05/2031 10:00:00", "2031-05-04T10:00:00X", "2031-05-04T10:00:00+2", "noon",
    "2031-05-04T10:00:00.Z", "20310504T100000Z", "2031-05-04T1O:00:00Z",
])
def test_what_is_no_time_is_refused(text):
    """The message shows what a time must look like."""
    with pytest.raises(TimeText, match="2031-05-04T09:30:00"):
        TimeFormat().parse(text)


def test_a_time_without_zone_needs_one_declared():
    """No zone, no moment: the reader asks."""
    with pytest.raises(TimeText, match="zone declared"):
        TimeFormat().parse("2031-05-04T10:00:00")


def test_plain_seconds():
    """Unix seconds, with a decimal point or comma; a sign or letter is none."""
    times = TimeFormat(SECONDS)
    assert times.parse("1900000000.25") == 1900000000.25
    assert times.parse("1900000000,25") == 1900000000.25
    for text in ("-5", "1e9", "nan", "", "1.2.3", "."):
        with pytest.raises(TimeText, match="seconds since 1970"):
            times.parse(text)


def test_milliseconds():
    """Whole numbers from 1973 on; what was meant in seconds is none."""
    times = TimeFormat(MILLISECONDS)
    assert times.parse("1900000000250") == 1900000000.25
    for text in ("1900000000.25", "5", "1900000000250000"):
        with pytest.raises(TimeText, match="milliseconds since 1970"):
            times.parse(text)


@pytest.mark.parametrize(("text", "hour"), [
    ("5/4/2031 01:31:00 AM", 1), ("5/4/2031 1:31:00 pm", 13), ("05/04/2031 12:31:00 a.m.", 0),
    ("5/4/2031 12:31:00.5 PM", 12), ("5/4/2031 13:31:00 PM", None), ("5/4/2031 1:31:00", None),
    ("5/4/2031 1:3:00 PM", None), ("5/4/2031 1:31:5 PM", None)])
def test_half_days_and_single_digits(text, hour):
    """As spreadsheets write them; a digit of a minute or a second is not missed."""
    times = TimeFormat("%m/%d/%Y %I:%M:%S %p", UTC)
    if hour is None:
        with pytest.raises(TimeText, match="05/04/2031 09:30:00 AM"):
            times.parse(text)
    else:
        moment = datetime.fromtimestamp(times.parse(text), UTC)
        assert (moment.month, moment.day, moment.hour, moment.minute) == (5, 4, hour, 31)


@pytest.mark.parametrize("pattern", ["%H:%M", "%Y-%m-%d", "now", "%S %M %H %d %m %Y",
                                     "%d.%m.%Y %H:%M:%S %p"])
def test_patterns_must_be_whole(pattern):
    """A format needs date and time, seconds last."""
    with pytest.raises(TimeText, match="no time format"):
        TimeFormat(pattern)


@pytest.mark.parametrize("zone", ["MEZ?", "+25:00", "", "../etc/passwd"])
def test_unknown_zones(zone):
    """A zone that is none is refused with examples."""
    with pytest.raises(TimeText, match="UTC"):
        parse_zone(zone)
