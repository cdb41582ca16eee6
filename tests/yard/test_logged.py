"""The end of a log as the readings of a pose."""

import pytest

from calib.intake.declaration import LogDeclaration
from calib.run.complaints import InputError
from calib.yard.logged import last_readings

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
    assert found["boom"] == "35.500" and found["rotate"] == "-0.100"
    assert list(found) == list(rig.reading_names)


def test_a_machine_that_moves_gives_none(rig, tmp_path):
    path = tmp_path / "log.csv"
    write(path, at(10, 30), lambda s: s)
    with pytest.raises(InputError, match="boom: found a reading that moves"):
        last_readings(path, rig, LogDeclaration())


def test_a_row_that_is_being_written_is_not_read(rig, tmp_path):
    path = tmp_path / "log.csv"
    write(path, at(10, 30), lambda s: 20.0, "2031-05-04T09:00:3")
    assert last_readings(path, rig, LogDeclaration())["boom"] == "20.000"


@pytest.mark.parametrize("content", ["", "time,boom\n", "time," + ",".join(NAMES) + "\n"])
def test_a_log_without_rows_is_told(rig, tmp_path, content):
    path = tmp_path / "log.csv"
    path.write_text(content)
    with pytest.raises(InputError):
        last_readings(path, rig, LogDeclaration())
    with pytest.raises(InputError):
        last_readings(tmp_path / "none.csv", rig, LogDeclaration())
