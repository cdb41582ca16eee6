"""``calib explore`` as a user runs it: what it prints, its exit status, the copy that it writes."""

import json
from dataclasses import replace

import numpy as np
import pytest

from calib.chain.rig import rig_from_dict
from calib.run.folder import read_run
from tests.explore.planted import plants


@pytest.fixture
def folder(simulated, tmp_path):
    """A clean run of 24 poses."""
    simulated(tmp_path / "run", "--seed", 8, "--poses", 24)
    return tmp_path / "run"


@pytest.fixture
def wavy(folder):
    """The same with an encoder off its centre by half a degree."""
    run = read_run(folder)
    shown = plants("tilt_rotator")["rotate_harmonic"].readings(
        run.poses.readings, {}, np.radians([0.5, 0.2]))
    lines = (folder / "readings.csv").read_text("utf-8").splitlines()
    head = next(i for i, line in enumerate(lines) if line.startswith("pose"))
    column = lines[head].split(",").index("rotate")
    for i, angle in enumerate(np.degrees(shown[:, -1]), head + 1):
        cells = lines[i].split(",")
        cells[column] = f"{angle:.4f}"
        lines[i] = ",".join(cells)
    (folder / "readings.csv").write_text("\n".join(lines) + "\n", "utf-8")
    return folder


def test_a_clean_run_asks_for_nothing(calib_command, folder):
    status, out, _ = calib_command("explore", folder)
    assert status == 0 and "ask for none of the effects" in out
    assert out.splitlines()[-1] == f"  calib solve {folder}"
    assert "boom_sag" in out and "readings.csv has no column approach" in out
    assert all(len(line) <= 100 for line in out.splitlines()[:-1])
    assert not list(folder.parent.glob("run-*"))


def test_what_is_asked_for_is_taken_into_a_copy(calib_command, wavy):
    """Named with its size and what it does; the copy, solved, asks for nothing more."""
    before = {f.name: f.read_bytes() for f in wavy.iterdir() if f.is_file()}
    status, out, _ = calib_command("explore", wavy)
    assert status == 6 and out.startswith("The shots ask for rotate_harmonic.")
    assert "graduation of the rotate encoder is off its centre" in out and "mm" in out
    command = out.splitlines()[-1].split()
    assert command == ["calib", "explore", str(wavy), "--free", "rotate_harmonic"]
    status, out, _ = calib_command(*command[1:])
    copy = wavy.with_name("run-with-rotate_harmonic")
    assert status == 0 and out.splitlines()[-1] == f"  calib solve {copy}"
    assert {f.name: f.read_bytes() for f in wavy.iterdir() if f.is_file()} == before
    for name, content in before.items():
        if name in ("readings.csv", "shots.csv", "tape.csv"):
            assert (copy / name).read_bytes() == content
    text = (copy / "rig.toml").read_text("utf-8")
    assert 'effects = ["rotate_harmonic"]' in text
    assert text.replace('effects = ["rotate_harmonic"]\n', "") == before["rig.toml"].decode()
    assert "rotate_harmonic_cos" in read_run(copy).rig.parameter_names
    status, out, _ = calib_command("explore", copy)
    assert status == 0 and "In the rig already: rotate_harmonic" in out
    # Once more into the same folder: refused, nothing lost.
    status, _, err = calib_command(*command[1:])
    assert status == 3 and "a new folder" in err


def test_the_document(calib_command, wavy):
    status, out, _ = calib_command("explore", wavy, "--json")
    document = json.loads(out)
    assert status == 6 and document["asked"] == ["rotate_harmonic"] and document["fits"]
    found = document["found"][0]["effect"]
    sizes = {p["name"]: p for p in found["parameters"]}
    for name, planted in (("rotate_harmonic_cos", 0.5), ("rotate_harmonic_sin", 0.2)):
        assert sizes[name]["value"] == pytest.approx(planted, abs=4 * sizes[name]["sd"])
        assert sizes[name]["unit"] == "deg"
    assert found["edge"] < 0.1 and found["chance"] < 0.04 and found["bic"] < 0
    rows = {e["name"]: e for e in document["effects"]}
    assert rows["boom_hysteresis"]["statistic"] is None
    assert document["next"] and document["test"].startswith("By what solving")


@pytest.mark.parametrize(("names", "says"), [
    ("boom_sog", "an effect that the rig leaves out"),
    ("boom_hysteresis", "readings.csv has no column approach")])
def test_effects_that_cannot_be_taken_in(calib_command, folder, names, says):
    status, _, err = calib_command("explore", folder, "--free", names)
    assert status == 3 and names in err and says in err
    assert not list(folder.parent.glob("run-*"))


def test_a_copy_without_effects_is_wrong_usage(calib_command, folder, tmp_path):
    assert calib_command("explore", folder, "--copy", tmp_path / "x")[0] == 2


def test_a_rig_file_with_an_effect_that_does_not_fit(calib_command, folder):
    """The line, the name, and the effects that fit."""
    text = (folder / "rig.toml").read_text("utf-8")
    (folder / "rig.toml").write_text('effects = ["boom_sagg"]\n' + text, "utf-8")
    status, _, err = calib_command("solve", folder)
    assert status == 3 and "rig.toml line 1, key effects.boom_sagg" in err and "boom_sag," in err


def test_trends_point_to_effects():
    """A significant trend says what explore can ask."""
    from calib.calibration import solve
    from calib.judge.trends import trends
    from calib.report.words.trend import trend_says
    from tests.explore.planted import planted

    plant = plants("tilt_rotator")["boom_sag"]
    run, _ = planted("tilt_rotator", plant, np.random.default_rng(3), sizes=8.0)
    trend = next(t for t in trends(solve(run)) if (t.what, t.against) == ("up", "reach"))
    assert set(trend.effects) == {"boom_sag", "stick_sag"}
    assert trend_says(trend).endswith(" calib explore tests boom sag and stick sag.")
    taken = replace(run, rig=rig_from_dict({**run.rig.definition, "effects": ["boom_sag"]}))
    assert not any("boom_sag" in t.effects for t in trends(solve(taken)))
