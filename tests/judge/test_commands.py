"""The commands that judge: diagnose, check, and solve with values set aside."""

import json
import re
import shutil

import pytest
from typer.testing import CliRunner

from calib.cli.app import application
from calib.console.talk import DONE, GATE_FAILED, INPUT, USAGE
from calib.results import load_result


@pytest.fixture
def folder(simulated, tmp_path):
    """A simulated run with two gross errors."""
    simulated(tmp_path / "run", "--seed", 3, "--gross", 2)
    return tmp_path / "run"


@pytest.fixture(scope="module")
def without(simulated, tmp_path_factory):
    """The same run solved without the suspects, and what was printed."""
    folder = simulated(tmp_path_factory.mktemp("without") / "run", "--seed", 3, "--gross", 2)
    done = CliRunner().invoke(application(), ["solve", str(folder), "--set-aside", "suspects",
                                              "--no-report"])
    return folder, done


def shots_changed(folder, change):
    """Rewrite the data rows of shots.csv by a function of a list of cells."""
    lines = (folder / "shots.csv").read_text().splitlines()
    first = next(i for i, line in enumerate(lines) if line.startswith("shot,")) + 1
    rows = [",".join(change(line.split(","))) for line in lines[first:]]
    (folder / "shots.csv").write_text("\n".join([*lines[:first], *rows]) + "\n")


def test_suspects_fail_the_gate_and_the_result_without_stands_beside(calib_command, folder):
    """Default: exit 6, suspects flagged, and what the result without them would be."""
    code, out, _ = calib_command("solve", folder)
    assert code == GATE_FAILED
    document = json.loads((folder / "result" / "result.json").read_text())
    assert document["set_aside"]["choice"] == "none"
    truth = set(json.loads((folder / "truth.json").read_text())["gross_errors"])
    assert set(document["without_suspects"]["without"]) == truth
    assert document["without_suspects"]["variance_factor"] < 1.3
    assert "Without the suspects: " in out and "--set-aside suspects" in out


def test_setting_the_suspects_aside_is_in_the_record(without):
    """Exit 0, the choice, the misses, the reasons and the effect are written down."""
    folder, done = without
    assert done.exit_code == DONE
    record = json.loads((folder / "result" / "result.json").read_text())["set_aside"]
    truth = json.loads((folder / "truth.json").read_text())["gross_errors"]
    assert record["choice"] == "suspects"
    assert {v["name"] for v in record["values"]} == set(truth)
    assert all("from where the others put it" in v["reason"] for v in record["values"])
    for shot in record["shots"]:
        for axis, planted in truth[shot["shot"]].items():
            assert shot["miss"][axis] == pytest.approx(planted, abs=4 * shot["sd"][axis])
    assert max(abs(p["in_sd"]) for p in record["effect"]) > 2
    assert "Set aside (suspects): " in done.stdout


def test_named_values_are_set_aside(calib_command, folder):
    """Shots, readings, taped values by name; the old set-up keeps what was taped all the same."""
    tape = folder / "tape.csv"
    tape.write_text(re.sub("(?m)^stick_length,[^,]*", "stick_length,2800", tape.read_text()))
    _, out, _ = calib_command("solve", folder, "--set-aside", "pose:04,07/tilt,tape:stick_length")
    result = load_result(folder / "result")
    aside, taped = result.document.set_aside, result.document.taped
    pose, reading, _ = (v.reason for v in aside.values)
    assert pose == "named by the user"
    assert reading.startswith("named by the user (it read ")
    assert {s.shot for s in aside.shots} >= {"04-edge_left", "04-edge_right"}
    assert {s.shot[:3] for s in aside.shots} == {"04-"}
    assert re.search(r"1 of \d+ taped values took no part", " ".join(out.split()))
    assert "stick_length" not in result.tape.quantities
    assert [r.quantity for r in taped.rows if not r.used] == ["stick_length"]
    old = json.loads(calib_command("compare", tape, folder / "result", "--json")[1])
    assert taped.edge.summary.worst == pytest.approx(old["edge"]["summary"]["worst"])
    assert taped.not_taped == old["not_taped"] == []
    (row,) = (r for r in old["rows"] if r["quantity"] == "stick_length")
    (stick,) = (p for p in result.document.parameters if p.name == "stick_length")
    assert stick.tape == 2.8 and stick.z == pytest.approx(row["z"])
    code, _, err = calib_command("solve", folder, "--set-aside", "pose:99")
    assert code == USAGE and "pose:99: no such shot" in " ".join(err.split())


def test_check_predicts_the_result_as_it_was_chosen(calib_command, without):
    """check.csv against a result without suspects; the tolerance is the user's."""
    folder, _ = without
    code, out, _ = calib_command("check", folder / "result")
    assert code == DONE
    assert out.startswith("Enter these values: every gate passed.\nTrust the edge to ")
    assert "6 of 6 check shots are within 30 mm" in out
    assert "common practice, no source" in out
    code, out, _ = calib_command("check", folder / "result", "--tolerance", 1, "--json")
    document = json.loads(out)
    assert code == GATE_FAILED
    assert document["tolerance_source"] == "stated by the user"
    assert not document["passed"] and document["cautions"]


def test_check_takes_another_file_and_refuses_another_run(calib_command, without, tmp_path):
    """--shots reads that file; a run that changed since is told to be solved again."""
    folder = shutil.copytree(without[0], tmp_path / "run")
    lines = (folder / "check.csv").read_text().splitlines()
    (tmp_path / "two.csv").write_text("\n".join(lines[:-4]) + "\n")
    _, out, _ = calib_command("check", folder / "result", "--shots", tmp_path / "two.csv", "--json")
    assert json.loads(out)["count"] == 2
    code, _, err = calib_command("check", folder / "result", "--shots", tmp_path / "none.csv")
    assert code == INPUT and "none.csv" in err
    (folder / "tape.csv").unlink()
    code, _, err = calib_command("check", folder / "result")
    assert code == INPUT and "a result that this run no longer gives" in err


@pytest.mark.slow
def test_diagnose_names_the_mistake(calib_command, folder):
    """Corners exchanged in all poses, beside two gross errors: named, with the edit."""
    def exchange(cells):
        other = {"edge_left": "edge_right", "edge_right": "edge_left"}
        return [other.get(cell, cell) for cell in cells]

    shots_changed(folder, exchange)
    code, out, _ = calib_command("diagnose", folder)
    assert code == GATE_FAILED
    assert out.startswith("Left and right corners are exchanged in all poses.")
    assert "And: single values are wrong: " in out and "--set-aside " in out
