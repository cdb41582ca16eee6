"""Rig and tape before the first shot."""

from pathlib import Path

import pytest

from calib.chain.rig import template_names
from calib.cli.simulate import STANDARD_RIG
from calib.run.complaints import InputError
from calib.run.folder import read_machine

TAPE = "quantity,value,sd,unit\nboom_length,5712,5,mm\npin_to_edge,1.6,0.01,m\n"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "rig.toml").write_text(STANDARD_RIG, "utf-8")
    return tmp_path


def test_rig_file_alone(folder):
    """A rig file has no tape, not even an empty one."""
    rig, tape, notices = read_machine(folder / "rig.toml")
    assert rig.name == "tilt_rotator" and tape is None and notices == ()


def test_run_folder_without_and_with_a_tape(folder):
    """No tape.csv: an empty tape; with it, its rows in SI."""
    assert read_machine(folder)[1].quantities == ()
    (folder / "tape.csv").write_text(TAPE, "utf-8")
    tape = read_machine(folder)[1]
    assert tape.quantities == ("boom_length", "pin_to_edge")
    assert list(tape.value) == [5.712, 1.6]


def test_shots_that_are_there_are_mentioned(folder):
    """A header alone is no shot; a row is, and is said not to count."""
    header = "# comment\nshot,pose,target,east,north,up\n"
    (folder / "shots.csv").write_text(header, "utf-8")
    assert read_machine(folder)[2] == ()
    (folder / "shots.csv").write_text(header + "1,1,edge_left,1,2,3\n", "utf-8")
    assert "calib next" in read_machine(folder)[2][0]


def test_all_complaints_at_once(folder):
    """Missing sds and a tape at fault are told together, with file, line and column."""
    (folder / "rig.toml").write_text('template = "tilt_rotator"\n', "utf-8")
    (folder / "tape.csv").write_text(TAPE.replace("boom_length", "boom_lenght"), "utf-8")
    with pytest.raises(InputError) as caught:
        read_machine(folder)
    said = str(caught.value)
    assert "readings.sd.boom" in said and "shots.sd" in said
    assert 'tape.csv line 2, column quantity: found "boom_lenght"' in said


@pytest.mark.parametrize("name", template_names())
def test_shipped_rig_by_name(name, tmp_path, monkeypatch):
    """A template's name gives it with the sds of a new run; a file of that name comes first."""
    rig, tape, notices = read_machine(Path(name))
    assert rig.name == name and tape is None and "shipped" in notices[0]
    monkeypatch.chdir(tmp_path)
    Path(name).write_text(STANDARD_RIG.replace("0.002", "0.004"), "utf-8")
    assert read_machine(Path(name))[0].shot_sd[0] == 0.004


@pytest.mark.parametrize("name", ["nowhere", "empty"])
def test_what_is_not_there(tmp_path, name):
    """A missing path and a folder without a rig say what was expected."""
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=r"expected a (run folder|file that describes the rig)"):
        read_machine(tmp_path / name)
