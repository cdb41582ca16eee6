"""Marks from rig.toml to the result, as a person runs it."""

import numpy as np
import pytest

from calib.calibration import solve
from calib.results import load_result
from calib.run.folder import read_run


@pytest.fixture
def folder(calib_command, tmp_path):
    """A run folder on disk with two antennas, one of them shot."""
    assert calib_command("simulate", tmp_path / "run", "--poses", 12, "--seed", 5)[0] == 0
    folder = tmp_path / "run"
    (folder / "rig.toml").write_text((folder / "rig.toml").read_text() + """
[marks.left_antenna]
on = "house"
near = [-1.6, 0.9, 1.7]

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
