"""Marks from rig.toml to the result, as a person runs it."""

import numpy as np
import pytest

from calib.calibration import solve
from calib.results import load_result
from calib.run.folder import read_run


@pytest.fixture
def folder(simulated, tmp_path):
    """A run folder on disk with two antennas, one of them shot."""
    simulated(tmp_path / "run", "--poses", 12, "--seed", 5)
    folder = tmp_path / "run"
    (folder / "rig.toml").write_text((folder / "rig.toml").read_text() + """
[marks.left_antenna]
on = "house"
near = [-1.6, 0.9, 1.7]
sd = 0.02

[marks.right_antenna]
on = "house"

[derived.antenna_line]
measure = "bearing"
start = "right_antenna"
end = "left_antenna"
means = "line of the antennas, from the boom plane"
""")
    return folder


def test_from_the_folder_to_the_result(folder, calib_command, tmp_path):
    """Nothing is said of an antenna that is not shot, nor of the line to it."""
    run = read_run(folder)
    rig = run.rig
    solution, target = solve(run), rig.target_names.index("left_antenna")
    at = solution.problem.points(solution.adjustment.parameters, run.poses.readings,
                                 np.array([target] * 2), np.array([0, 1]), False).position
    rows = [f"m{i},{run.poses.ids[i]},left_antenna,{p[0]:.4f},{p[1]:.4f},{p[2]:.4f}"
            for i, p in enumerate(at)]
    text = (folder / "shots.csv").read_text()
    width = text.split("\n")[0].count(",") - 5
    (folder / "shots.csv").write_text(text + "".join(r + "," * width + "\n" for r in rows))
    status, out, _ = calib_command("solve", folder, "--out", tmp_path / "out")
    assert status == 0, out
    result = load_result(tmp_path / "out")
    parameters = result.parameters.set_index("name")
    assert parameters.loc["left_antenna_left", "status"] == "estimated"
    assert parameters.loc["left_antenna_left", "value"] == pytest.approx(0.9, abs=0.005)
    assert parameters.loc["right_antenna_left", "status"] == "held"
    assert "antenna_line" not in set(result.derived["name"])
    assert result.rig.parameter_names == rig.parameter_names
    assert not {"left_antenna_left"} & set(result.document.taped.not_taped)
    calib_command("sheet", tmp_path / "out")
    sheet = (tmp_path / "out" / "sheet.html").read_text()
    assert sheet.index("Marks and antennas") < sheet.index("left_antenna_above")
    assert "right_antenna" not in sheet


def test_points_of_a_mark_are_imported(calib_command, tmp_path, monkeypatch):
    """Under the name that the crew wrote, into a folder whose rig.toml has the mark."""
    monkeypatch.chdir(tmp_path)
    assert calib_command("new", "run")[0] == 0
    rig = tmp_path / "run" / "rig.toml"
    rig.write_text(rig.read_text() + '\n[marks.left_antenna]\non = "house"\n')
    for name in ("readings", "shots", "tape", "check"):
        (tmp_path / "run" / f"{name}.csv").unlink()
    (tmp_path / "points.txt").write_text("1-left,1.5,2.5,3.5\n1-antenna,2.5,3.5,4.5\n")
    (tmp_path / "sheet.csv").write_text(
        "pose,house_pitch,house_roll,boom,stick,coupler,tilt,rotate\n1,0,0,30,-60,10,5,0\n")
    words = ["import", "points.txt", "--into", "run", "--order", "PENZ", "--unit", "m",
             "--frame", "ground", "--pole", "applied", "--ids", "{pose}-{target}",
             "--target", "left=edge_left", "--sheet", "sheet.csv", "--stand", "here"]
    status, _, err = calib_command(*words, "--target", "antenna=right_antenna")
    assert status == 3 and "right_antenna" in err
    status, _, err = calib_command(*words, "--target", "antenna=left_antenna")
    assert status == 0, err
    assert ",left_antenna," in (tmp_path / "run" / "shots.csv").read_text()
