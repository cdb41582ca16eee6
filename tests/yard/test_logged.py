"""The end of a log as the readings of a pose."""

import os
from types import SimpleNamespace

import pytest

from calib.intake.declaration import LogDeclaration
from calib.run.complaints import InputError
from calib.yard.logged import Sensors, last_readings

NAMES = ("house_pitch", "house_roll", "boom", "stick", "coupler", "tilt", "rotate")


def write(path, seconds, boom, cut=""):
    rows = [f"2031-05-04T09:{s // 60:02.0f}:{s % 60:06.3f}Z,0.1,-0.2,{boom(s):.3f},-60,10,5,359.9"
            for s in seconds]
    path.write_text("time," + ",".join(NAMES) + "\n" + "\n".join(rows) + "\n" + cut)


def at(rate, length):
    return [k / rate for k in range(int(rate * length))]


def test_the_last_seconds_are_averaged(rig, tmp_path):
    path = tmp_path / "log.csv"
    write(path, at(10, 600), lambda s: 20.0 if s < 590 else 35.5)
    found = last_readings(path, rig, LogDeclaration())
    assert found.readings["boom"] == "35.500" and found.readings["rotate"] == "-0.100"
    assert list(found.readings) == list(rig.reading_names) and found.moving == ()


def test_a_machine_that_moves_is_told(rig, tmp_path):
    path = tmp_path / "log.csv"
    write(path, at(10, 30), lambda s: s)
    assert last_readings(path, rig, LogDeclaration()).moving == ("boom",)


def test_a_log_is_followed_while_it_grows(rig, tmp_path):
    path = tmp_path / "log.csv"
    sensors = Sensors(path)
    assert "No such file" in sensors.look(rig, LogDeclaration()).trouble[0]
    assert sensors.age() is None
    write(path, at(10, 30), lambda s: 20.0)
    assert sensors.look(rig, LogDeclaration()).readings["boom"] == "20.000"
    assert sensors.age() < 60
    write(path, at(10, 40), lambda s: 20.0 if s < 30 else 31.0)
    seen = sensors.look(rig, LogDeclaration())
    assert seen.readings["boom"] == "31.000" and seen.trouble == ()


def test_a_log_that_is_gone_and_comes_back_is_read_again(rig, tmp_path):
    path = tmp_path / "log.csv"
    write(path, at(10, 30), lambda s: 20.0)
    sensors = Sensors(path)
    assert sensors.look(rig, LogDeclaration()).readings
    path.rename(tmp_path / "away")
    assert sensors.look(rig, LogDeclaration()).trouble and sensors.age() is None
    (tmp_path / "away").rename(path)
    assert sensors.look(rig, LogDeclaration()).readings


def test_a_clock_set_back_makes_no_old_log_new(rig, tmp_path, monkeypatch):
    path, clock = tmp_path / "log.csv", [1000.0]
    write(path, at(10, 30), lambda s: 20.0)
    os.utime(path, (5000.0, 5000.0))
    monkeypatch.setattr("calib.yard.logged.time", SimpleNamespace(
        time=lambda: 5010.0 if clock[0] < 1001 else 1410.0, monotonic=lambda: clock[0]))
    sensors = Sensors(path)
    for seconds, age in ((0.0, 10.0), (90.0, 100.0)):
        clock[0] = 1000.0 + seconds
        sensors.look(rig, LogDeclaration())
        assert sensors.age() == pytest.approx(age)


def test_a_log_whose_lines_end_with_cr(rig, tmp_path):
    path = tmp_path / "log.csv"
    write(path, at(10, 300), lambda s: 20.0)
    written = path.read_bytes()
    assert len(written) > 1 << 17
    path.write_bytes(written.replace(b"\n", b"\r") + b"2031-05-04T09:00:3")
    assert last_readings(path, rig, LogDeclaration()).readings["boom"] == "20.000"


def test_a_row_that_is_being_written_is_not_read(rig, tmp_path):
    path = tmp_path / "log.csv"
    write(path, at(10, 30), lambda s: 20.0, "2031-05-04T09:00:3")
    assert last_readings(path, rig, LogDeclaration()).readings["boom"] == "20.000"


@pytest.mark.parametrize("content", ["", "time,boom\n", "time," + ",".join(NAMES) + "\n"])
def test_a_log_without_rows_is_told(rig, tmp_path, content):
    path = tmp_path / "log.csv"
    path.write_text(content)
    with pytest.raises(InputError):
        last_readings(path, rig, LogDeclaration())
