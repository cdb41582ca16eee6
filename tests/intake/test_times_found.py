"""The times of shots and log, whatever their heading and however they are written."""

from datetime import UTC, datetime

import pytest

from calib.intake.declaration import declare
from calib.intake.proposal.propose import propose
from tests.intake.layouts import GERMAN, layouts, log_of

HEAD = ";".join(("{}", *GERMAN))


@pytest.fixture
def proposed(run, tmp_path):
    """What is proposed for shots at 06:00 to 06:22 on 4 May 2031 and a log at the same time."""
    def propose_with(head, stamp, points=lambda text: text, declared=None):
        def written(when):
            return stamp(datetime.fromisoformat(str(when)).replace(tzinfo=UTC))

        files = dict(layouts(run)[3].files)
        files["log.csv"] = log_of(run, written, HEAD.format(head))
        files["punkte.csv"] = points(files["punkte.csv"])
        for name, text in files.items():
            (tmp_path / name).write_text(text)
        return propose([tmp_path / name for name in files], run.rig, declared)
    return propose_with


def milliseconds(when):
    """Unix time in thousandths."""
    return f"{when.timestamp() * 1000:.0f}"


@pytest.mark.parametrize(("head", "stamp"), [
    ("UTC time", "{0:%Y-%m-%dT%H:%M:%SZ}".format), ("t_ms", milliseconds),
    ("moment", "{0:%d.%m.%Y %H:%M:%S}".format),
    ("clock", lambda when: f"{when.day}/{when.month}/{when:%Y %I:%M:%S %p}")])
def test_the_time_of_a_log_is_found(proposed, head, stamp):
    """By its heading, whatever stands beside it, or as the only column with times in order; the
    order of day and month by the day of the shots."""
    found = proposed(head, stamp)
    assert not found.doubtful, found.doubtful
    assert dict(found.roles).popitem()[1] == "log"


def test_a_told_column_is_the_time(proposed):
    """As `--reading time=...` says it."""
    def stamp(when):
        return f"{milliseconds(when)};{when.timestamp():.0f}"

    asked = proposed("frame;t", stamp).doubtful[0]
    assert "the column of the time" in asked.about and len(asked.alternatives) == 2
    told = declare({"log": {"readings": {"time": "t"}}})
    assert not proposed("frame;t", stamp, declared=told).doubtful


def test_zones_are_read_from_headings(proposed):
    """Summer time in the one and UTC in the other: both said, and so the shots lie in the log."""
    def later(text):
        return text.replace("Uhrzeit", "Uhrzeit (MESZ)").replace(";06:", ";08:")

    found = proposed("Zeit (UTC)", "{0:%d.%m.%Y %H:%M:%S}".format, later)
    assert not found.doubtful
    assert (found.declared.time_zone, found.declared.log.time_zone) == ("+02:00", "UTC")


def test_clocks_that_differ_are_asked(proposed):
    """Nothing says a zone, and the shots lie two hours after the log: what would fit is offered."""
    (asked,) = proposed("Zeit", "{0:%d.%m.%Y %H:%M:%S}".format,
                        lambda text: text.replace(";06:", ";08:")).doubtful
    assert asked.alternatives[0].declares["time_zone"] == "+02:00" and asked.typed == "time_zone"


def test_day_and_month_are_asked_once(proposed):
    """One question for shots and log, the answer for both."""
    (asked,) = proposed("Zeit", "{0:%d/%m/%Y %H:%M:%S}".format,
                        lambda text: text.replace("04.05.2031", "04/05/2031")).doubtful
    assert len(asked.alternatives) == 2
    assert asked.alternatives[1].declares == {
        "time_format": "%m/%d/%Y %H:%M:%S", "log": {"time_format": "%m/%d/%Y %H:%M:%S"}}


def test_a_zone_in_a_line_above_the_header(tmp_path):
    """A title line states the zone of the times below it as a heading does."""
    from calib.intake.declaration import Declaration
    from calib.intake.proposal.field_rows import read_rows
    from calib.intake.proposal.looks import look_at

    path = tmp_path / "job.txt"
    path.write_text("Device times: local summer time (UTC+02:00)\n\nPoint,Easting,Northing,"
                    "Elevation,Date,Time\n1,2.0,3.0,4.0,10.06.2031,09:30:22\n")
    rows = read_rows({"points": [look_at(path, ())], "pointings": []}, Declaration())
    assert rows.zones == ("+02:00",)
