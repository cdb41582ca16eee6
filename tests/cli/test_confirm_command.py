"""calib confirm, from files."""

import json
import re
import shlex
import shutil

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from calib.calibration import HOUSE_PLACEMENT
from calib.cli.app import application
from calib.results import load_result
from tests.report.reading import Page


@pytest.fixture(scope="module")
def run(simulated, tmp_path_factory):
    """A solved run whose folder asks for 20 mm."""
    run = simulated(tmp_path_factory.mktemp("run") / "run", "--poses", 24, "--seed", 12)
    rig = (run / "rig.toml").read_text("utf-8")
    (run / "rig.toml").write_text(rig + '\n[goal]\nedge = "20 mm"\n', "utf-8")
    CliRunner().invoke(application(), ["solve", str(run), "--no-report"])
    return run


@pytest.fixture
def result(run, tmp_path):
    """Its result, in a path with a space."""
    return shutil.copytree(run, tmp_path / "a run") / "result"


def filled(calib_command, result, seed=0, **mistyped):
    """The blank file of the command, filled in as a display would; lengths in m, angles in deg."""
    read, rng = load_result(result), np.random.default_rng(seed)
    rig, lines = read.rig, calib_command("confirm", result)[1].splitlines()
    driven = {}
    for line in lines:
        if line.startswith("# pose "):
            pose, _, angles = line.removeprefix("# pose ").partition(";")[0].partition(": ")
            named = dict(part.split(" ") for part in angles.split(", "))
            driven[pose] = [np.radians(float(named.get(n, 0))) for n in rig.reading_names]
    typed = read.values_si.copy()
    for i, p in enumerate(rig.parameters):
        step = np.radians(0.01) if p.unit == "deg" else 0.001
        typed[i] = np.round(typed[i] / step) * step
        if p.name in mistyped:
            typed[i] = np.radians(mistyped[p.name]) if p.unit == "deg" else mistyped[p.name]
    readings = np.array(list(driven.values()))
    posture = rig.chain.posture(typed, np.tile(HOUSE_PLACEMENT, (len(driven), 1)), readings)
    rows = [line for line in lines if line and not line.startswith("#")]
    out = [rows[0]]
    for row in rows[1:]:
        pose, target = row.split(",")[:2]
        p = list(driven).index(pose)
        at = posture.points(np.array([rig.target_names.index(target)]), np.array([p])).position[0]
        copied = np.degrees(readings[p]) + rng.normal(0, 0.02, readings.shape[1])
        out.append(",".join([pose, target, *(f"{x:.3f}" for x in at),
                             *(f"{a:.2f}" for a in copied)]))
    path = result.parent / "shown.csv"
    path.write_text("\n".join(out) + "\n", "utf-8")
    return path


def test_typed_right(calib_command, result):
    """Exit 0, the requirement in the sentence, differences within what noise lets them be."""
    shown = filled(calib_command, result)
    status, out, err = calib_command("confirm", result, shown)
    assert status == 0, err
    assert "agrees with the solved machine" in out and "required 20 mm" in out
    document = json.loads(calib_command("confirm", result, shown, "--json")[1])
    assert document["agrees"] and document["slip"] is None and document["goal"] == 0.02


def test_what_one_pose_shows_proves_little(calib_command, result):
    """Every slip of one field would be seen there, several together not: how far, in one sum."""
    shown = filled(calib_command, result)
    whole = json.loads(calib_command("confirm", result, shown, "--json")[1])
    pd.read_csv(shown, dtype=str).query("pose == '1'").to_csv(shown, index=False)
    status, out, _ = calib_command("confirm", result, shown, "--json")
    document = json.loads(out)
    assert status == 6 and document["status"] == "not proven"
    assert whole["told95"] < 0.012 and document["told95"] > 0.1
    assert "2 shown points of 1 pose)" in document["says"][0]
    assert "not the required 20 mm: show more poses" in document["says"][1]
    # More poses, into another file.
    err = calib_command("confirm", result, shown)[2]
    assert re.search(r"With \d+ poses", err)
    assert re.search(r"Next: calib confirm .* > .*shown-\d+-poses\.csv", err)


def test_mistyped(calib_command, result, tmp_path):
    """The field, what it holds, by how much; page and document say the same; cautions; exit 6."""
    right = {p.name: p.value for p in load_result(result).document.parameters}
    shown = filled(calib_command, result, edge_drop=round(right["edge_drop"], 3) + 0.3)
    status, out, _ = calib_command("confirm", result, shown, "--out", tmp_path / "told")
    assert status == 6
    words = " ".join(out.split())
    assert f"edge_drop holds {1000 * right['edge_drop'] + 300:.0f} mm" in words
    assert "off by +300 mm" in words and "Look up before every pose" in words
    document = json.loads((tmp_path / "told/confirm.json").read_text("utf-8"))
    (field,) = document["slip"]["fields"]
    assert field["field"] == "edge_drop" and field["off"] == pytest.approx(300)
    page = Page((tmp_path / "told/confirm.html").read_text("utf-8"))
    assert "edge_drop holds" in page.words and "Look up before every pose" in page.words


def test_a_blank_file_shows_the_cautions_and_poses(calib_command, result):
    """Readable again once filled in; poses are told as readings, and where the edge then is."""
    status, out, _ = calib_command("confirm", result)
    read = load_result(result)
    told = next(line for line in out.splitlines() if line.startswith("# pose 1:"))
    named = dict(re.findall(r"([a-z_]+) (-?[0-9]+)[,;]", told))
    readings = np.radians([float(named.get(name, 0)) for name in read.rig.reading_names])
    at = read.rig.chain.posture(read.values_si, HOUSE_PLACEMENT[None], readings[None]).points(
        np.array([read.rig.target_names.index("edge_mid")]), np.array([0])).position[0]
    ahead, high, side = re.search(r"([0-9.]+) m ahead, ([0-9.]+) m (above|below)", told).groups()
    assert at[0] == pytest.approx(float(ahead), abs=0.2)
    assert at[2] == pytest.approx(float(high) * (1 if side == "above" else -1), abs=0.2)
    # The edge stays off the ground, as in a plan, and so far from it as is told.
    for height, low in re.findall(r"([0-9.]+) m (?:above|below); its lowest corner (-?[0-9.]+) m",
                                  out):
        assert 0.0 < float(low) < 2.0 and float(height) < 1.9
    assert out.count("lowest corner") >= 6 and "taken to be 1.9 m above level ground" in " ".join(
        out.replace("# ", "").split())
    assert status == 0 and "# pose 6: boom" in out and "Look up before every pose" in out
    blank = result.parent / "blank.csv"
    blank.write_text(out, "utf-8")
    status, _, err = calib_command("confirm", result, blank)
    assert status == 3 and "expected one at least" in err and "line" in err


def test_what_is_wrong_with_the_file_is_told_by_line(calib_command, result):
    """Numbers, targets, readings that differ within a pose, frames mixed, no readings: at once."""
    shown = filled(calib_command, result)
    table = pd.read_csv(shown, dtype=str)
    table.loc[0, "forward"] = "5.1O"
    table.loc[2, "target"] = "edge_lft"
    table.loc[5, "boom"] = "77.00"
    table.loc[6:7, "tilt"] = ""
    table.to_csv(shown, index=False)
    status, out, err = calib_command("confirm", result, shown)
    assert status == 3 and not out
    for place in ("line 2, column forward", "line 4, column target", "line 7, column boom",
                  "line 8, column tilt"):
        assert f"shown.csv {place}" in err
    table["east"] = "1.0"
    table.to_csv(shown, index=False)
    assert "forward or left beside east or north" in calib_command("confirm", result, shown)[2]
    status, _, err = calib_command("confirm", result, result.parent / "none.csv")
    assert status == 3 and "none.csv" in err
    assert err.splitlines()[-1] == (f"Next: calib confirm {shlex.quote(str(result))} > "
                                    + shlex.quote(str(result.parent / "none.csv")))


def test_shots_that_do_not_tell_a_stand(calib_command, result):
    """All in one place, and corners alone: said with the line, and what would do."""
    shown = filled(calib_command, result)
    table = pd.read_csv(shown, dtype=str)
    readings = list(load_result(result).rig.reading_names)
    table.loc[:, readings] = ""
    table["stand"] = "elsewhere"
    for axis in ("east", "north", "up"):
        table[f"shot_{axis}"] = "100.0"
    table.to_csv(shown, index=False)
    status, _, err = calib_command("confirm", result, shown)
    assert status == 3 and "shown.csv line" in err
    assert "no posture" in err and "in a new stand" in err


def test_paths_with_spaces_can_be_pasted(result):
    """The fixture's own path has one."""
    assert " " in str(result) and shlex.quote(str(result)).startswith("'")


def test_typed_right_of_a_result_that_is_not_to_be_entered_yet(calib_command, result):
    """No length was taped: the display agrees, the machine may be of another size all the same."""
    run = result.parent
    (run / "tape.csv").unlink()
    assert calib_command("solve", run, "--no-report")[0] == 0
    status, told, err = calib_command("confirm", result, filled(calib_command, result))
    before, _, after = told.partition("The display agrees")
    assert status == 6 and after and "Do not enter these values yet" in " ".join(before.split())
    assert shlex.split(err.splitlines()[-1])[1:] == ["calib", "solve", str(run)]


def test_a_list_of_another_place_stays_in_the_next_command(calib_command, result, tmp_path):
    """Else the list of the run folder would be tested in its place."""
    listed = tmp_path / "my list.toml"
    rig = load_result(result).rig
    listed.write_text("".join(
        f'[[entry]]\nname = "{p.name}"\nunit = "{"deg" if p.unit == "deg" else "mm"}"\n'
        f'is = "{p.name}"\n' for p in rig.parameters if p.name in rig.moving_edge), "utf-8")
    for command in ("sheet", "confirm"):
        err = calib_command(command, result, "--entries", listed)[2]
        words = shlex.split(err.splitlines()[-1].partition(" > ")[0])
        assert words[-2:] == ["--entries", str(listed)], command
