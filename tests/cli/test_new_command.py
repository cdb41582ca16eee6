"""``calib new``: asked by a person, or by nobody."""

import builtins
import os
import sys

import pytest

from calib.chain.rig import rig_from_dict, rig_from_template, template_names
from calib.cli import asking
from calib.intake.declaration import read_profile
from calib.report.figures.side_view import machine_in_characters
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
    left = answers("", "yes", "25", "5,72", "2903", "", "200", "1.5", "2",
                   "3 arcsec, 1,5 mm + 1 ppm", "twenty", "25", "25 mm", 'The "old" one',
                   "2031-05-04", "")
    status, out, err = calib_command("new", folder)
    assert status == 0 and not left
    rig = rig_from_text((folder / "rig.toml").read_text())
    assert rig.shot_sd.tolist() == [0.002, 0.002, 0.002]
    assert rig.job == {"machine": 'The "old" one', "date": "2031-05-04", "instrument":
                       "total station without a prism, 3 arcsec, 1,5 mm + 1 ppm"}
    tape = (folder / "tape.csv").read_text().splitlines()
    assert tape[-3:] == ["boom_length,5.72,0.005,m", "stick_length,2.903,0.004,m",
                         "edge_width,1.5,0.003,m"]
    profile = read_profile((folder / "import.toml").read_bytes(), "import.toml")
    assert profile.instrument.distance == "1.5 mm + 1 ppm"
    assert 'edge = "25 mm"\n' in (folder / "rig.toml").read_text()
    assert "200 cm or 200 mm? Type one of them; here from 0.15 to 6 m." in err
    assert "here from 1 to 15 m" in err and "Taken as 2903 mm." in err and "such as" in err
    assert "25 cm or 25 mm?" in err
    assert "boom_length 5.720 m" in out and "..." not in out  # drawn before the questions
    assert (folder / "machine.png").read_bytes().startswith(b"\x89PNG")


def test_an_answer_to_another_question_is_doubted_at_once(calib_command, tmp_path, answers):
    """A stick's length typed for the boom; what was meant, or the same again, is taken."""
    folder = tmp_path / "mine"
    left = answers("", "yes", "2.308", "4.615", "4.9", "4.9", "", "0.7 m")
    status, _, err = calib_command("new", folder)
    assert status == 0 and not left
    assert "is it one question off?" in err and err.count("If it is right, type it again") == 2
    assert "boom foot pin to stick pin" in err and "such as 2.9 m" in err
    assert (folder / "tape.csv").read_text().splitlines()[-3:] == [
        "boom_length,4.615,0.005,m", "stick_length,4.9,0.004,m", "edge_width,0.7,0.003,m"]
    rig = (folder / "rig.toml").read_text()
    assert "starts at the taped 4.615 (tape.csv): boom" in rig and "starts at 5.7" not in rig
    assert rig_from_text(rig).start[0] == 5.7  # of the template: the tape says where a run starts


@pytest.mark.parametrize("words", [["new", "mine"], ["import", "points.csv"]])
def test_who_stops_answering_is_led_back(calib_command, tmp_path, monkeypatch, words):
    """No fault of the program: the same command again, and nothing is written."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "points.csv").write_text("1L,1.5,2.5,3.5\n1R,2.5,3.5,4.5\n")

    def ended(prompt):
        raise EOFError

    monkeypatch.setattr(asking, "somebody_answers", lambda: True)
    monkeypatch.setattr(builtins, "input", ended)
    status, _, err = calib_command(*words)
    assert status == 3 and err.splitlines()[-1] == f"Next: calib {' '.join(words)}"
    assert [path.name for path in tmp_path.iterdir()] == ["points.csv"]


@pytest.mark.parametrize("rig", template_names())
@pytest.mark.parametrize("share", [1.0, 0.4])
def test_numbers_of_the_drawing_stand_apart(rig, share):
    """Each length has its number once, and none stands beside another."""
    machine = rig_from_template(rig)
    short = {p.name: max(p.start * share, p.least) for p in machine.parameters
             if p.name in ("tilt_axis_drop", "edge_reach", "rotation_axis_ahead")}
    drawn = machine_in_characters(rig_from_dict({"template": rig, "values": short}))
    rows = drawn.partition("\n\n")[0].splitlines()
    at = {mark: (r, c) for r, row in enumerate(rows) for c, mark in enumerate(row)
          if mark.isdigit()}
    assert len(at) == sum(map(str.isdigit, "".join(rows))) == len(
        [line for line in drawn.splitlines() if line[:1].isdigit()])
    assert all(abs(r - s) > 1 or abs(c - d) > 2
               for one, (r, c) in at.items() for two, (s, d) in at.items() if one < two)


def test_another_machine_is_looked_at_first(calib_command, tmp_path, answers):
    """The drawing of the machine is shown; who says no is asked again."""
    answers("1", "no", "2", "yes")
    status, _, err = calib_command("new", tmp_path / "mine")
    assert status == 0
    assert err.count("What is the machine like?") == 2
    assert 'template = "plain_bucket"' in (tmp_path / "mine" / "rig.toml").read_text()


def test_nobody_is_asked(calib_command, tmp_path):
    """Without a person, or with --yes, defaults are taken."""
    status, out, err = calib_command("new", tmp_path / "mine", "--rig", "plain_bucket", "--yes")
    assert status == 0
    assert "?" not in err and "boom_length" in out
    assert not (tmp_path / "mine" / "import.toml").exists()


def test_a_filled_folder_is_refused_before_the_questions(calib_command, tmp_path, answers):
    """Nobody answers a dozen questions in vain."""
    (tmp_path / "there.txt").write_text("x")
    left = answers("1")
    status, _, err = calib_command("new", tmp_path)
    assert status == 3 and left == ["1"] and "a folder with files in it" in err


def test_a_pipe_answers_as_a_person_does(calib_command, tmp_path, monkeypatch):
    """Its lines are taken, and what it does not answer is not made up."""
    def piped(folder, text):
        into, out_of = os.pipe()
        os.write(out_of, text.encode())
        os.close(out_of)
        with open(into, encoding="utf-8") as pipe:
            monkeypatch.setattr(sys, "stdin", pipe)
            return calib_command("new", tmp_path / folder)

    status, _, err = piped("whole", "1\nyes\n4.9\n2.3\n" + 8 * "\n")
    assert status == 0, err
    assert "boom_length,4.9,0.005,m" in (tmp_path / "whole" / "tape.csv").read_text()
    status, _, err = piped("short", "1\nyes\n4.9\n")
    assert status == 3 and not (tmp_path / "short").exists()
    assert "this one is missing: nothing was written" in err
    status, _, err = piped("none", "")
    assert status == 0 and "every question takes its default" in err


def test_what_nobody_typed_is_said_not_to_be_measured(calib_command, tmp_path, answers):
    """The list stands once; half an answer about the instrument is told what is wanted."""
    answers("", "no", "1", "yes", "4.9", *3 * ("",), "1", "3", "")
    status, out, err = calib_command("new", tmp_path / "mine")
    assert status == 0 and "(from the template, not measured)" in err
    assert "boom_length 4.900 m" in out and "stick_length" not in out and "not measured" not in out
    assert "If none of them is" in err and "calib rig show" in err
    assert "3 is not enough" in err and "such as 5 arcsec, 2 mm + 2 ppm" in err


def test_a_run_that_is_there_already_is_gone_on_with(calib_command, tmp_path):
    calib_command("new", tmp_path / "mine", "--yes")
    status, _, err = calib_command("new", tmp_path / "mine")
    assert status == 3 and err.splitlines()[-1] == f"Next: calib plan {tmp_path / 'mine'}"
