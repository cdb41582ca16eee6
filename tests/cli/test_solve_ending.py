"""How ``calib solve`` ends: goal and tolerance of rig.toml, and the next command to type."""

import json
import shlex

import pytest

from calib.console.talk import DONE, GATE_FAILED, INPUT


@pytest.fixture
def folder(simulated, tmp_path):
    """A small clean run in a folder with a space in its name."""
    folder = tmp_path / "my run"
    simulated(folder, "--poses", 12, "--seed", 4)
    return folder


def commands(text):
    """What is offered to be typed, as the shell would split it."""
    lines = [line.partition("calib ")[2] for line in text.splitlines()
             if ": calib " in line and not line.startswith("Next: ")]
    return [shlex.split(line) for line in lines]


def result(folder):
    return json.loads((folder / "result" / "result.json").read_text())


def test_a_good_run_offers_the_sheet(calib_command, folder):
    """Exit 0, and the one command that follows, with the real path; it works as printed."""
    status, _, err = calib_command("solve", folder)
    assert status == DONE
    _, *words = shlex.split(err.splitlines()[-1].removeprefix("Next: "))
    assert words == ["sheet", str(folder / "result")] and commands(err) == []
    assert calib_command(*words)[0] == DONE


def test_a_goal_that_is_not_met_fails_the_run(calib_command, folder):
    """[goal] edge = "2 mm": exit 6, in the record with its source, and calib next is offered."""
    with (folder / "rig.toml").open("a") as file:
        file.write('\n[goal]\nedge = "2 mm"\n\n[check]\ntolerance = "25 mm"\n')
    status, out, err = calib_command("solve", folder)
    assert status == GATE_FAILED
    document = result(folder)
    assert document["goal"]["edge"] == 0.002 and document["goal"]["source"] == "rig.toml"
    assert not document["goal"]["met"] and document["goal"]["confidence"] == 0.95
    assert document["check"]["tolerance"] == 0.025
    assert "the goal is 2 mm (95 %; rig.toml)" in " ".join(out.split())
    assert ["next", str(folder)] in commands(err)
    status, out, _ = calib_command("next", folder, "--json", "--candidates", 500)
    assert json.loads(out)["goal"] == 0.002
    assert status == GATE_FAILED


def test_the_tolerance_is_an_option(calib_command, folder):
    """--tolerance 1: no check shot is predicted to a millimetre, and calib check is offered."""
    status, _, err = calib_command("solve", folder, "--tolerance", 1)
    assert status == GATE_FAILED and result(folder)["check"]["tolerance"] == 0.001
    assert commands(err) == [["check", str(folder / "result")]]


def test_suspects_offer_a_solution_without_them(calib_command, simulated, tmp_path):
    """Two gross errors: the commands printed are typed, and the second one's verdict passes."""
    folder = tmp_path / "run"
    simulated(folder, "--poses", 16, "--seed", 5, "--gross", 3)
    status, _, err = calib_command("solve", folder)
    assert status == GATE_FAILED
    diagnose, without = commands(err)[:2]
    assert diagnose == ["diagnose", str(folder)]
    assert without[:4] == ["solve", str(folder), "--set-aside", "suspects"]
    assert calib_command(*without)[0] == DONE


@pytest.mark.parametrize(("line", "expected"), [
    ("edge = 0.02", 'a length above 0 with mm, cm, m or ft, such as "20 mm"'),
    ('edge = "20"', "a length above 0"), ('edge = "20 m"', "no more than 1 m"),
    ('width = "20 mm"', "a key this file knows"),
])
def test_a_goal_that_is_none_is_told_with_its_line(calib_command, folder, line, expected):
    """File, line, what was found and what is expected; exit 3."""
    text = (folder / "rig.toml").read_text()
    (folder / "rig.toml").write_text(text + f"\n[goal]\n{line}\n")
    status, _, err = calib_command("solve", folder)
    assert status == INPUT
    number = (text + f"\n[goal]\n{line}").count("\n") + 1
    assert f"line {number}" in err or f":{number}" in err
    assert expected in " ".join(err.split())
