"""The commands as a person runs them: files, words and exit status."""

import json
import re
from importlib import import_module
from inspect import signature
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import calib
from calib.adjust.mixed_model import NotConverged
from calib.calibration import solve, starting_parameters
from calib.cli.app import _TYPED, COMMANDS, _loaded
from calib.cli.simulate import STANDARD_RIG
from calib.edge import Spread, envelope_edge
from calib.judge.suspects import find_suspects
from calib.report.words.cautions import CAUTIONS
from calib.run.folder import read_run


@pytest.fixture
def clean(simulated, tmp_path):
    """A simulated run without gross errors."""
    simulated(tmp_path / "run", "--poses", 12, "--seed", 4)
    return tmp_path / "run"


def test_demo_finds_what_was_planted(calib_command, tmp_path, monkeypatch):
    """The demo exits 0, flags exactly the planted shots, predicts the checks, in 100 columns."""
    monkeypatch.chdir(tmp_path)
    status, out, _ = calib_command("demo")
    assert status == 0
    document = json.loads((tmp_path / "calib-demo/result/result.json").read_text("utf-8"))
    truth = json.loads((tmp_path / "calib-demo/run/truth.json").read_text("utf-8"))
    assert len(truth["gross_errors"]) == 2
    suspects = {shot["shot"] for shot in document["shots"] if shot["suspect"]}
    assert suspects == set(truth["gross_errors"])
    assert document["check"]["count"] == 6 and document["check"]["passed"]
    assert "calib-demo" in out and "suspect" in out
    assert "Invented" in (tmp_path / "calib-demo/run/shots.csv").read_text("utf-8")
    table = out.split("All of it is in")[0]
    assert max(len(line) for line in table.splitlines()) <= 100


def test_solve_writes_a_whole_result(calib_command, clean):
    """A clean run exits 0 and leaves result.json and tables that say the same."""
    status, out, err = calib_command("solve", clean, "--out", clean.parent / "out")
    assert status == 0, err
    assert out.startswith("Enter these values: every gate passed.\nTrust the edge to ")
    document = json.loads((clean.parent / "out/result.json").read_text("utf-8"))
    parameters = pd.read_csv(clean.parent / "out/parameters.csv").set_index("name")
    for record in document["parameters"]:
        assert parameters.loc[record["name"], "value"] == pytest.approx(record["value"], rel=1e-12)
    matrix = np.array(document["covariance"]["matrix"])
    free = [p for p in document["parameters"] if p["status"] != "held"]
    names = document["covariance"]["names"]
    for record in free:
        i = names.index(record["name"])
        assert np.sqrt(matrix[i, i]) == pytest.approx(record["sd"], rel=1e-9)
    assert set(document["run"]["files"]) >= {"rig.toml", "shots.csv", "readings.csv", "tape.csv"}


def test_result_has_every_key_of_the_contract(calib_command, clean):
    """The keys of result.json that other programs rely on are there; what must add up does."""
    _, out, _ = calib_command("solve", clean, "--json")
    document = json.loads(out)
    assert {"schema", "calib", "run", "converged", "iterations", "parameters", "covariance",
            "stands", "shots", "readings", "fit", "weak", "check"} <= set(document)
    assert {"name", "unit", "value", "sd", "low95", "high95", "tape", "tape_sd", "difference", "z",
            "status"} <= set(document["parameters"][0])
    assert {"name", "heading", "east", "north", "up", "sd"} <= set(document["stands"][0])
    assert {"shot", "pose", "target", "residual", "w", "redundancy", "suspect"} <= set(
        document["shots"][0])
    assert {"pose", "reading", "correction", "w", "redundancy", "suspect"} <= set(
        document["readings"][0])
    assert {"observations", "unknowns", "dof", "variance_factor", "chi2", "chi2_low", "chi2_high",
            "passed", "rms_3d"} <= set(document["fit"])
    fit = document["fit"]
    assert fit["observations"] - fit["unknowns"] == fit["dof"]
    assert fit["variance_factor"] == pytest.approx(fit["chi2"] / fit["dof"])
    assert {"count", "rms_3d", "max_3d", "passed", "tolerance"} <= set(document["check"])
    # Redundancy numbers of shots and readings, with the tape's, sum to the degrees of freedom.
    total = 3 * sum(s["redundancy"] for s in document["shots"])
    total += sum(r["redundancy"] for r in document["readings"])
    taped = [p for p in document["parameters"] if p["tape"] is not None]
    total += sum(1 - p["sd"] ** 2 / p["tape_sd"] ** 2 for p in taped)
    assert total == pytest.approx(document["fit"]["dof"], abs=1e-6)


def test_gross_errors_exit_6_and_the_result_is_there(calib_command, simulated, tmp_path):
    """A run that does not fit is written all the same, and says so by its status."""
    simulated(tmp_path / "run", "--poses", 16, "--seed", 5, "--gross", 3)
    status, out, _ = calib_command("solve", tmp_path / "run", "--out", tmp_path / "out")
    assert status == 6
    assert (tmp_path / "out/result.json").exists()
    assert "SUSPECT" in out


def test_not_determined_exits_5_in_words(calib_command, clean):
    """Without the right corner and without tape the free combinations are named; no result."""
    shots = (clean / "shots.csv").read_text("utf-8").splitlines()
    left_only = "\n".join(row for row in shots if "right" not in row) + "\n"
    (clean / "shots.csv").write_text(left_only, "utf-8")
    (clean / "tape.csv").unlink()
    status, _, err = calib_command("solve", clean, "--out", clean.parent / "out")
    assert status == 5
    assert "Not determined: nothing fixes" in err and "edge_width" in err
    assert not (clean.parent / "out").exists()


def test_not_converged_exits_4_without_result(calib_command, clean, monkeypatch):
    """An iteration that does not settle leaves no result."""

    def never(run, choice):
        raise NotConverged("after 50 iterations boom_zero still moves by 3 of its sd")

    monkeypatch.setattr("calib.operations.judged.solve_as_chosen", never)
    status, _, err = calib_command("solve", clean, "--out", clean.parent / "out")
    assert status == 4
    assert "Did not converge: after 50 iterations boom_zero" in err and "mistaken" in err
    assert not (clean.parent / "out").exists()


def test_input_at_fault_exits_3_with_all_complaints(calib_command, clean):
    """Two faults in two files come at once, with their places; nothing is written."""
    shots = (clean / "shots.csv").read_text("utf-8")
    shots = re.sub(r",edge_left,[^,]+,", ",edge_left,1O.2,", shots, count=1)
    (clean / "shots.csv").write_text(shots, "utf-8")
    tape = (clean / "tape.csv").read_text("utf-8")
    (clean / "tape.csv").write_text(tape.replace("boom_length", "boom_lenght"), "utf-8")
    status, out, err = calib_command("solve", clean, "--out", clean.parent / "out")
    assert status == 3 and not out
    assert 'shots.csv line 3, column east: found "1O.2"' in err
    assert "tape.csv line 3" in err and "boom_lenght" in err
    assert not (clean.parent / "out").exists()


def test_millimetres_are_one_complaint_not_sixty(calib_command, clean):
    """A file in mm is told once per stand, with the guess that a person would make."""
    shots = pd.read_csv(clean / "shots.csv", comment="#", dtype=str)
    shots[["east", "north", "up"]] = 1000 * shots[["east", "north", "up"]].astype(float)
    shots.to_csv(clean / "shots.csv", index=False)
    status, _, err = calib_command("solve", clean)
    assert status == 3
    assert err.count("shots.csv") == 1 and "are these mm or feet?" in err


def test_a_fault_of_the_program_exits_1(calib_command, clean, monkeypatch):
    """An unforeseen error is called what it is and leaves no result."""

    def broken(run, choice):
        raise ZeroDivisionError("unforeseen")

    monkeypatch.setattr("calib.operations.judged.solve_as_chosen", broken)
    status, _, err = calib_command("solve", clean, "--out", clean.parent / "out")
    assert status == 1
    assert "fault of the program" in err and "unforeseen" in err


@pytest.mark.parametrize("arguments", [("solve",), ("solve", "x", "--unknown"), ("nothing",)])
def test_wrong_usage_exits_2(calib_command, arguments):
    """A command line that cannot be understood exits 2."""
    assert calib_command(*arguments)[0] == 2


def test_results_never_replace_the_run(calib_command, clean):
    """Writing results into the run folder itself is refused: shots.csv would be lost."""
    before = (clean / "shots.csv").read_text("utf-8")
    status, _, err = calib_command("solve", clean, "--out", clean)
    assert status == 3 and "run folder itself" in err
    assert (clean / "shots.csv").read_text("utf-8") == before


def test_new_makes_a_folder_with_the_cautions(calib_command, tmp_path):
    """A new run folder shows the cautions on screen and in its files, and cannot yet be solved."""
    status, out, err = calib_command("new", tmp_path / "mine")
    assert status == 0 and "calib solve" in out
    for caution in CAUTIONS:
        assert caution in err
    status, _, err = calib_command("solve", tmp_path / "mine")
    assert status == 3 and "no rows" in err
    status, _, err = calib_command("new", tmp_path / "mine")
    assert status == 3 and "nothing is written over" in err


def test_simulate_is_repeatable(calib_command, tmp_path):
    """The same seed gives the same files, another seed others."""
    for name, seed in (("a", 1), ("b", 1), ("c", 2)):
        calib_command("simulate", tmp_path / name, "--poses", 4, "--gross", 1, "--seed", seed)
    a, b, c = ({f.name: f.read_bytes() for f in (tmp_path / n).iterdir()} for n in "abc")
    assert a == b
    assert a["shots.csv"] != c["shots.csv"]


def test_simulate_takes_the_users_rig(calib_command, tmp_path):
    """A rig file with other sds is used and copied; one without sds is refused by name."""
    rig = tmp_path / "mine.toml"
    rig.write_text(STANDARD_RIG.replace("0.002", "0.01"), "utf-8")
    assert calib_command("simulate", tmp_path / "run", "--poses", 4, "--rig", rig)[0] == 0
    assert (tmp_path / "run/rig.toml").read_text("utf-8") == rig.read_text("utf-8")
    rig.write_text('template = "tilt_rotator"\n', "utf-8")
    status, _, err = calib_command("simulate", tmp_path / "run2", "--rig", rig)
    assert status == 3 and "readings.sd.boom: found nothing, expected the sd" in err
    assert not (tmp_path / "run2").exists()


def test_version_and_help(calib_command):
    """--version names the program; --help of the whole names every command and exit status."""
    status, out, _ = calib_command("--version")
    assert status == 0 and re.fullmatch(r"calib \d+\.\d+\.\d+\n", out)
    status, out, _ = calib_command("--help")
    assert status == 0
    for word in ("demo", "new", "solve", "simulate", "Exit status"):
        assert word in out


@pytest.mark.parametrize("command", COMMANDS)
def test_what_can_be_typed_is_what_the_command_takes(command):
    """Options are in one file, what they do in another: each takes all of the other's."""
    typed = _TYPED[command]
    does = getattr(import_module(f"calib.cli.{typed.__name__}"), typed.__name__)
    signature(does).bind(**dict.fromkeys(signature(typed).parameters))


@pytest.mark.parametrize("command", COMMANDS)
def test_help_swallows_no_word_in_brackets(calib_command, command, monkeypatch):
    """Tables of rig.toml are written so: what typer takes for a style is not shown."""
    monkeypatch.setenv("COLUMNS", "400")
    shown = " ".join(calib_command(command, "--help")[1].split())
    asked = _loaded(command)
    for part in (asked, *asked.params):
        for word in re.findall(r"\[+[a-z_]+\]+", (part.help or "").replace("\\", "")):
            assert word in shown, (command, word)


def test_readme_tells_the_truth_about_the_demo():
    """The README's errors of the taped and the solved machine are those of the shipped demo."""
    root = Path(calib.__file__).parent.parent
    run = read_run(root / "data" / "demo")
    told = json.loads((root / "data/demo/truth.json").read_text("utf-8"))["parameters"]
    truth = np.array([np.radians(told[p.name]) if p.unit == "deg" else told[p.name]
                      for p in run.rig.parameters])
    nodes = envelope_edge(run.rig, truth)
    without = find_suspects(solve(run)).without
    spreads = [Spread.of(np.linalg.norm(nodes.error(x), axis=2))
               for x in (starting_parameters(run), without.parameters)]
    predicted = Spread.of(nodes.sd(without.covariance))
    sentence = (
        f"off by {1000 * spreads[0].rms:.0f} mm (rms over the working range, at most "
        f"{1000 * spreads[0].worst:.0f} mm); the solved one, without the two planted errors, by "
        f"{1000 * spreads[1].rms:.1f} mm (at most {1000 * spreads[1].worst:.1f} mm), where "
        f"{1000 * predicted.rms:.1f} mm were predicted."
    )
    assert sentence in " ".join((root / "README.md").read_text("utf-8").split())


def test_readme_shows_every_caution():
    """The README sends people to a machine: the cautions stand there word by word."""
    text = (Path(calib.__file__).parent.parent / "README.md").read_text("utf-8")
    for caution in CAUTIONS:
        assert caution in text
