"""The last line of every command is the next command, ready to paste."""

import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from calib.adjust.mixed_model import NotConverged
from calib.cli.app import COMMANDS
from calib.cli.simulate import STANDARD_RIG
from tests.cli.commands import lines, prepare


def next_of(err):
    """The words of the command that the last line names; it is as a shell would take it."""
    last = err.rstrip("\n").splitlines()[-1]
    assert last.startswith("Next: calib "), last
    words = shlex.split(last.removeprefix("Next: "))
    assert words[1] in (*COMMANDS, "--help", "--version"), last
    assert not any(placeholder in words for placeholder in ("RUN", "RESULT", "FILE")), last
    return words[1:]


@pytest.fixture
def yard(solved, tmp_path):
    """Two solved runs of one machine in a folder with a space in its name."""
    folder = tmp_path / "my yard"
    prepare(folder, solved)
    return folder


def test_every_command_names_the_next(calib_command, yard, monkeypatch, offline, unspawned):
    """With quoted paths that are there, or are to be made; and no command opens a socket."""
    monkeypatch.setattr("calib.cli.report.report_files", lambda *_: {})
    monkeypatch.setattr("calib.cli.sheet.sheet_files", lambda *_: {})
    monkeypatch.setattr("calib.cli.together.sheet_files", lambda *_: {})
    unspawned()
    listed = lines(yard)
    assert set(listed) == set(COMMANDS) - {"yard"}  # which goes on until it is stopped
    for command, words in listed.items():
        status, _, err = calib_command(command, *words)
        assert status in (0, 5, 6), (command, status, err)
        assert not offline, command
        named = next_of(err)
        assert named[0] != command or command in (
            "rig", "help", "confirm", "next", "solve", "explore", "together", "entries")
        for word in named[1:]:
            if str(yard) in word and word not in (str(yard / "one-corrected"),):
                made = word.endswith(("without", "-complete.toml", "shown.csv"))
                assert Path(word).exists() or made, (command, named)


@pytest.mark.parametrize(("fault", "status"), [
    ("usage", 2), ("unknown command", 2), ("no such word", 2), ("empty argument", 2),
    ("input", 3), ("no result", 3), ("not determined", 5), ("suspects", 6)])
def test_every_way_to_fail_names_the_next(calib_command, simulated, tmp_path, fault, status):
    """Usage, input, not determined, a gate: after the complaint, what to type."""
    run = tmp_path / "my yard" / "run"
    if fault == "suspects":
        simulated(run, "--poses", 16, "--seed", 5, "--gross", 3)
    else:
        simulated(run, "--poses", 12, "--seed", 5)
    if fault == "input":
        (run / "shots.csv").write_text("shot,pose\n1,1\n")
    if fault == "not determined":
        rows = (run / "shots.csv").read_text("utf-8").splitlines()
        (run / "shots.csv").write_text("\n".join(r for r in rows if "right" not in r) + "\n")
        (run / "tape.csv").unlink()
    words = {"usage": ["solve", run, "--unknown"], "unknown command": ["slove", run],
             "no such word": ["help", "redundansy"], "empty argument": ["solve", ""],
             "no result": ["sheet", run / "result"]}.get(fault, ["solve", run, "--no-report"])
    ended, _, err = calib_command(*words)
    assert ended == status
    named = next_of(err)
    expected = {"usage": ["solve", "--help"], "unknown command": ["--help"],
                "no such word": ["help", "--help"], "empty argument": ["solve", "--help"],
                "input": list(map(str, words)), "no result": ["solve", str(run)],
                "not determined": ["next", str(run)], "suspects": ["diagnose", str(run)]}
    assert named == expected[fault]


def test_a_run_that_is_short_of_shots(calib_command, simulated, tmp_path):
    """No mistake, and not determined: diagnose sends to next, which plans more."""
    run = tmp_path / "my yard"
    simulated(run, "--poses", 12, "--seed", 5)
    rows = (run / "shots.csv").read_text("utf-8").splitlines()
    (run / "shots.csv").write_text("\n".join(r for r in rows if "right" not in r) + "\n")
    (run / "tape.csv").unlink()
    _, _, err = calib_command("diagnose", run)
    assert next_of(err) == ["next", str(run)]


def test_no_solution_and_a_fault(calib_command, simulated, tmp_path, monkeypatch):
    """Not converged: diagnose. A fault of the program: which version it was."""
    run = tmp_path / "my yard"
    simulated(run, "--poses", 12, "--seed", 4)

    def broken(kind):
        def raised(*_):
            raise kind("of the test")
        return raised

    monkeypatch.setattr("calib.operations.judged.solve_as_chosen", broken(NotConverged))
    status, _, err = calib_command("solve", run)
    assert status == 4 and next_of(err) == ["diagnose", str(run)]
    monkeypatch.setattr("calib.operations.judged.solve_as_chosen", broken(ZeroDivisionError))
    status, _, err = calib_command("solve", run)
    assert status == 1 and next_of(err) == ["--version"]


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["solve", "--help"]])
def test_help_and_version_say_no_more(calib_command, words):
    """What was asked for, and nothing behind it."""
    assert "Next:" not in "".join(calib_command(*words)[1:])


def test_it_can_be_pasted(calib_command, tmp_path, monkeypatch):
    """A shell runs the line, and what it runs names the next."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "my rig.toml").write_text(STANDARD_RIG, "utf-8")
    _, _, err = calib_command("rig", "show", "my rig.toml")
    line = err.splitlines()[-1].removeprefix("Next: calib ")
    second = subprocess.run(f"{shlex.quote(sys.executable)} -m calib {line}",
                            cwd=tmp_path, shell=True, capture_output=True, text=True, check=True)
    assert second.stderr.splitlines()[-1] == "Next: calib plan 'my rig.toml'"
