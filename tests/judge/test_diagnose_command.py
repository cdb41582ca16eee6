"""``calib diagnose``: the corrected copy, the next command, and what is never written over."""

import json
from dataclasses import replace

import numpy as np
import pytest

from calib.cli.simulate import STANDARD_RIG
from calib.console.talk import DONE, GATE_FAILED, INPUT, NOT_CONVERGED
from calib.run.export import run_files
from calib.simulate import drawn_parameters, simulate


def edited(path, change):
    """Rewrite the data rows of a CSV by a function of a dict of its cells."""
    lines = path.read_text().splitlines()
    first = next(i for i, line in enumerate(lines) if not line.startswith("#"))
    names = lines[first].split(",")
    rows = []
    for line in lines[first + 1:]:
        cells = dict(zip(names, line.split(","), strict=True))
        change(cells)
        rows.append(",".join(cells[name] for name in names))
    path.write_text("\n".join([*lines[:first + 1], *rows]) + "\n")


@pytest.fixture
def folder(simulated, tmp_path):
    """A simulated run whose columns stick and coupler are exchanged, in a path with a space."""
    run = tmp_path / "my run"
    simulated(run, "--poses", 12, "--seed", 3)

    def exchange(cells):
        cells["stick"], cells["coupler"] = cells["coupler"], cells["stick"]

    edited(run / "readings.csv", exchange)
    return run


def test_a_corrected_copy_says_what_was_changed(calib_command, folder):
    """The original stays; the copy solves; comment, figures and the next command are there."""
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    copy = folder.with_name("mended")
    code, out, _ = calib_command("diagnose", folder, "--apply", copy)
    assert code == GATE_FAILED
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before
    head, *_ = (copy / "readings.csv").read_text().splitlines()
    assert head.startswith("# Corrected by calib diagnose")
    assert "The reading columns stick and coupler are exchanged." in head
    assert (copy / "shots.csv").read_bytes() == before["shots.csv"]
    assert "variance factor" in out and "->" in out and "worst sd of the edge" in out
    assert f"  calib solve {copy}\n" in out
    code, out, _ = calib_command("diagnose", copy)
    assert code == DONE and out.startswith("The run fits: ")


def test_nothing_is_written_over(calib_command, folder):
    """A folder with anything in it is refused before anything is tried."""
    code, _, err = calib_command("diagnose", folder, "--apply", folder)
    assert code == INPUT
    assert "a new folder: nothing is written over" in err


def test_the_next_command_has_the_paths_of_the_run(calib_command, folder):
    """No literal RUN: the folder as it was given, quoted for a shell."""
    code, out, _ = calib_command("diagnose", folder, "--json")
    assert code == GATE_FAILED
    first, second = json.loads(out)["next"]
    assert first.startswith(f"calib diagnose '{folder}' --apply ")
    assert second.startswith("calib solve ") and "my run-corrected" in second


@pytest.mark.slow
def test_check_shots_in_feet_are_corrected_too(calib_command, simulated, tmp_path):
    """All shots in feet, those that only check as well: the copy has both in metres."""
    run, copy = tmp_path / "run", tmp_path / "copy"
    simulated(run, "--poses", 12, "--seed", 4)
    was = (run / "check.csv").read_text()

    def in_feet(cells):
        for axis in ("east", "north", "up"):
            cells[axis] = f"{float(cells[axis]) / 0.3048:.4f}"

    for name in ("shots.csv", "check.csv"):
        edited(run / name, in_feet)
    calib_command("diagnose", run, "--apply", copy)
    first_east = float(was.splitlines()[2].split(",")[3])
    row = (copy / "check.csv").read_text().splitlines()[2].split(",")
    assert abs(float(row[3]) - first_east) < 0.001


def test_without_a_cause_nothing_is_written(calib_command, simulated, tmp_path):
    """A clean run: it is said to fit, and that there is no copy."""
    run, copy = tmp_path / "run", tmp_path / "copy"
    simulated(run, "--poses", 12, "--seed", 4)
    code, out, err = calib_command("diagnose", run, "--apply", copy)
    assert code == DONE and out.startswith("The run fits: ")
    assert not copy.exists()
    assert "No corrected copy was written" in err
    assert f"  calib solve {run}\n" in out


def test_what_did_not_converge_is_told_to_diagnose_with_its_path(
        calib_command, folder, monkeypatch):
    """The folder's own name, quoted; no literal RUN."""
    from calib.adjust.mixed_model import NotConverged

    def fails(*_, **__):
        raise NotConverged("after 50 iterations boom_length still moves")

    monkeypatch.setattr("calib.judge.choice.solve", fails)
    code, _, err = calib_command("solve", folder)
    assert code == NOT_CONVERGED
    assert f"Next: calib diagnose '{folder}'" in err


def test_with_a_known_machine(calib_command, rig, tmp_path):
    """A few poses of a new bucket with two columns exchanged: the mistake is found and mended,
    and the copy keeps the rows of tape that are in the earlier result already."""
    rng = np.random.default_rng(5)
    base = drawn_parameters(rig, rng)
    run = simulate(rig, rng, poses=6, parameters=base, taped=False)[0]
    readings = run.poses.readings.copy()
    i, j = map(rig.reading_names.index, ("stick", "coupler"))
    readings[:, [i, j]] = readings[:, [j, i]]
    for name, one in (("old", simulate(rig, rng, poses=20, parameters=base)[0]),
                      ("new", replace(run, poses=replace(run.poses, readings=readings)))):
        (tmp_path / name).mkdir()
        for file, text in run_files(one, STANDARD_RIG, "Invented data").items():
            (tmp_path / name / file).write_text(text, "utf-8")
    tape = (tmp_path / "old" / "tape.csv").read_text("utf-8")
    (tmp_path / "new" / "tape.csv").write_text(tape, "utf-8")
    assert calib_command("solve", tmp_path / "old", "--no-report")[0] == DONE
    known = ("--machine", tmp_path / "old" / "result")
    code, out, err = calib_command("diagnose", tmp_path / "new", *known, "--apply",
                                   tmp_path / "mended")
    assert code == GATE_FAILED and "left out, since it took part" in err
    assert "stick and coupler are exchanged" in out and "every gate passed" in out
    assert f"Next: calib solve {tmp_path / 'mended'} --machine {known[1]}" in err
    assert (tmp_path / "mended" / "tape.csv").read_text("utf-8") == tape


def test_a_solution_without_single_values_has_its_own_result(simulated, calib_command, tmp_path):
    """One shot 200 mm out: the next command has a place of its own for its result."""
    folder = simulated(tmp_path / "run", "--poses", 12, "--seed", 5)

    def out(cells):
        if cells["shot"] == "03-edge_left":
            cells["east"] = f"{float(cells['east']) + 0.2:.4f}"

    edited(folder / "shots.csv", out)
    _, _, err = calib_command("diagnose", folder)
    assert err.splitlines()[-1].endswith(f"--out {folder / 'result-without'}")


def test_two_shots_exchanged_between_poses_are_named(simulated, calib_command, tmp_path):
    """Equal and opposite misses are one mistake, not two; the corrected copy fits."""
    folder = simulated(tmp_path / "run", "--poses", 12, "--seed", 5)
    other = {"03-edge_left": "07", "07-edge_left": "03"}
    edited(folder / "shots.csv", lambda cells: cells.update(
        pose=other.get(cells["shot"], cells["pose"])))
    _, out, _ = calib_command("diagnose", folder, "--apply", tmp_path / "mended")
    assert out.startswith("Shots 03-edge_left and 07-edge_left are exchanged.")
    assert "by 1.0 times after the edit" in out or "by 0.9 times after the edit" in out


def test_a_shot_booked_under_the_wrong_target_is_renamed(calib_command, simulated, tmp_path):
    """Nobody is sent to shoot it again: the copy has the right name."""
    run, copy = tmp_path / "run", tmp_path / "copy"
    simulated(run, "--poses", 12, "--seed", 5)
    head, *rows = (run / "shots.csv").read_text().splitlines()
    left, right = (next(row for row in rows if f",03,{target}," in row)
                   for target in ("edge_left", "edge_right"))
    wrong = right.replace(",edge_right,", ",edge_left,")
    (run / "shots.csv").write_text("\n".join(
        [head, *(wrong if row == right else row for row in rows if row != left)]) + "\n")
    code, out, _ = calib_command("diagnose", run, "--apply", copy)
    shot = right.partition(",")[0]
    assert code == GATE_FAILED and out.startswith(
        f"Shot {shot}, edge_left of pose 03: booked under the wrong target: it lies on edge_right")
    assert f"Change the target of shot {shot} to edge_right in shots.csv." in out
    assert f"{shot},03,edge_right," in (copy / "shots.csv").read_text()
