"""``calib new``: asked by a person, or by nobody."""

import builtins

import pytest

from calib.chain.rig import template_names
from calib.cli import asking
from calib.intake.declaration import read_profile
from calib.run.folder import rig_from_text


@pytest.fixture
def answers(monkeypatch):
    """A person who types the given lines, and then nothing but empty ones."""

    def typing(*lines):
        left = list(lines)
        monkeypatch.setattr(asking, "somebody_answers", lambda: True)
        monkeypatch.setattr(builtins, "input", lambda prompt: left.pop(0) if left else "")
        return left

    return typing


def test_answers_are_filled_in(calib_command, tmp_path, answers):
    """Lengths, instrument, requirement and job stand in the files; nobody had to write TOML."""
    folder = tmp_path / "mine"
    left = answers("", "yes", "5.72", "2903 mm", "", "200", "1.5", "2", "3 arcsec, 1 mm + 1 ppm",
                   "twenty", "25 mm", 'The "old" one', "")
    status, out, err = calib_command("new", folder)
    assert status == 0 and not left
    rig = rig_from_text((folder / "rig.toml").read_text())
    assert rig.shot_sd.tolist() == [0.002, 0.002, 0.002]
    assert rig.job == {"machine": 'The "old" one'}
    tape = (folder / "tape.csv").read_text().splitlines()
    assert tape[-3:] == ["boom_length,5.72,0.005,m", "stick_length,2.903,0.004,m",
                         "edge_width,1.5,0.003,m"]
    profile = read_profile((folder / "import.toml").read_bytes(), "import.toml")
    assert profile.instrument.distance == "1 mm + 1 ppm"
    assert 'edge = "25 mm"' in (folder / "rig.toml").read_text()
    assert "A length from 0.15 to 6 m." in err and "such as" in err
    assert "boom_length 5.720 m" in out
    assert (folder / "machine.png").read_bytes().startswith(b"\x89PNG")


def test_another_machine_is_looked_at_first(calib_command, tmp_path, answers):
    """The drawing of the machine is shown; who says no is asked again."""
    answers("1", "no", "2", "yes")
    status, _, err = calib_command("new", tmp_path / "mine")
    assert status == 0
    assert err.count("What is the machine like?") == 2
    assert 'template = "plain_bucket"' in (tmp_path / "mine" / "rig.toml").read_text()


@pytest.mark.parametrize("rig", template_names())
def test_nobody_is_asked(calib_command, tmp_path, rig):
    """Without a person, or with --yes, defaults are taken; every rig can be drawn."""
    status, out, err = calib_command("new", tmp_path / "mine", "--rig", rig, "--yes")
    assert status == 0
    assert "?" not in err and "boom_length" in out
    assert not (tmp_path / "mine" / "import.toml").exists()


def test_a_filled_folder_is_refused_before_the_questions(calib_command, tmp_path, answers):
    """Nobody answers a dozen questions in vain."""
    (tmp_path / "there.txt").write_text("x")
    left = answers("1")
    status, _, err = calib_command("new", tmp_path)
    assert status == 3 and left == ["1"] and "a folder with files in it" in err
