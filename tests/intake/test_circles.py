"""Readings on 0 to 360 degrees are those on -180 to 180: at every door, and in what comes after."""

import numpy as np
import pytest

from calib.calibration import solve
from calib.judge.trends import trends
from calib.report.words.trend import trend_name
from calib.run.export import run_files
from calib.run.folder import read_run
from calib.run.units import short_way_round
from tests.intake.field_files import PLAIN, RIG_TOML, imported
from tests.intake.test_log import HEAD, lines_of, read, shot, steady

__all__ = ["steady"]


def on_full_circle(text, names):
    """A readings file with every reading from 0 to 360."""
    header, *rows = (line.split(",") for line in text.splitlines())
    for row in rows:
        for i, name in enumerate(header):
            if name in names:
                row[i] = f"{float(row[i]) % 360:.4f}"
    return "\n".join(",".join(row) for row in [header, *rows]) + "\n"


@pytest.mark.parametrize("start", [359.99, 0.01])
def test_a_log_near_zero_averages_near_zero(tmp_path, rig, steady, start):
    """The mean is what a person would write, whatever the first row said (it was 360.0118)."""
    seconds, readings, _ = steady
    readings = readings.copy()
    readings[:, 6] = np.mod(np.random.default_rng(3).normal(0.01, 0.02, len(seconds)), 360)
    readings[190, 6] = start
    got, findings, _ = read(tmp_path, rig, [HEAD, *lines_of(seconds, readings)], [shot("1", 20.0)])
    assert not findings.complaints
    assert got["1"].values[6] == pytest.approx(0.01, abs=0.02)


def test_a_sheet_on_the_full_circle_imports_the_same_run(calib, field, run):
    """The run folder has readings within half a circle, equal to those of the plain sheet."""
    names = run.rig.reading_names
    text = (field / "sheet.csv").read_text()
    (field / "full.csv").write_text(on_full_circle(text, names))
    for sheet, folder in (("sheet.csv", "RUN"), ("full.csv", "FULL")):
        status, _, err = calib("job.txt", "--into", folder, *PLAIN, "--sheet", sheet)
        assert status == 0, err
    plain, full = imported(field / "RUN"), imported(field / "FULL")
    np.testing.assert_allclose(full.poses.readings, plain.poses.readings, atol=1e-5)


def test_a_run_folder_on_the_full_circle_solves_the_same(tmp_path, run):
    """Read by `solve` itself: readings, joint angles and trends are those of the plain run."""
    files = run_files(run, RIG_TOML)
    full = {**files, "readings.csv": on_full_circle(files["readings.csv"], run.rig.reading_names)}
    solved = []
    for name, content in (("plain", files), ("full", full)):
        (tmp_path / name).mkdir()
        for file, text in content.items():
            (tmp_path / name / file).write_text(text)
        solved.append(solve(read_run(tmp_path / name)))
    plain, full = solved
    np.testing.assert_allclose(full.run.poses.readings, plain.run.poses.readings, atol=1e-5)
    joints = [s.run.rig.chain.posture(s.parameters, s.problem.placement(
        s.adjustment.parameters), s.adjusted_readings, False).joints for s in solved]
    np.testing.assert_allclose(*joints, atol=1e-4)
    assert np.degrees(np.abs(joints[1])).max() <= 180.0 + 1e-6
    for one, other in zip(trends(plain), trends(full), strict=True):
        assert trend_name(other) == trend_name(one)
        assert other.statistic == pytest.approx(one.statistic, rel=0.02, abs=0.02)


def test_a_joint_is_within_half_a_circle(rig):
    """A coupler at 170 and a stick at -100: the joint is -90, not 270."""
    chain, names = rig.chain, rig.reading_names
    readings = np.zeros((1, len(names)))
    readings[0, names.index("stick")] = np.radians(-100)
    readings[0, names.index("coupler")] = np.radians(170)
    start = np.array([p.start for p in rig.parameters])
    posture = chain.posture(start, np.zeros((1, 4)), readings, False)
    assert np.degrees(posture.joints[0, names.index("coupler")]) == pytest.approx(-90.0)


def test_the_short_way_round_keeps_neighbours_together():
    """Readings that cross 180 stay together; those all round the circle go to -180 to 180."""
    np.testing.assert_allclose(short_way_round(np.array([179.0, -179.0, 181.0, 175.0])),
                               [179.0, 181.0, 181.0, 175.0])
    np.testing.assert_allclose(short_way_round(np.array([350.0, 5.0, 359.0])), [-10, 5, -1])
    np.testing.assert_allclose(short_way_round(np.arange(0.0, 360.0, 30.0)),
                               [0, 30, 60, 90, 120, 150, 180, -150, -120, -90, -60, -30])
    got = short_way_round(np.array([np.nan, 350.0]))
    assert np.isnan(got[0]) and got[1] == pytest.approx(-10.0)
    assert short_way_round(np.array([])).size == 0
