"""Poses of shots and of a sheet are joined by what both mean; the sheet's spelling is kept."""

import pytest

from calib.intake.files.ids import spelt_as
from calib.run.folder import read_run
from tests.intake.layouts import sheet_of, shots_of


@pytest.mark.parametrize("written", ["P{}", "Pose {}", "{:02d}", "Lage {}", "{}"])
def test_a_sheet_that_writes_poses_otherwise(run, tmp_path, calib, monkeypatch, written):
    """Shots "P1 left corner" and a sheet with any spelling of its poses are one run."""
    monkeypatch.chdir(tmp_path)
    lines = [f"P{int(pose)} {side} corner,{e:.4f},{n:.4f},{u:.4f}"
             for pose, side, (e, n, u), _ in shots_of(run)]
    (tmp_path / "a.csv").write_text("\n".join(["point,east (m),north (m),up (m)", *lines]) + "\n")
    head, *rows = sheet_of(run).splitlines()
    poses = [written.format(int(row.split(",")[0])) for row in rows]
    rows = [",".join([pose, *row.split(",")[1:]]) for pose, row in zip(poses, rows, strict=True)]
    (tmp_path / "s.csv").write_text("\n".join([head, *rows]) + "\n")
    status, _, err = calib("a.csv", "s.csv", "--yes")
    assert status == 0, err
    assert set(read_run(tmp_path / "run").poses.ids) <= set(poses)


@pytest.mark.parametrize(("poses", "there"), [
    (["1", "01"], ["P1"]), (["1"], ["A1", "B1"]), (["A1"], ["B1"]), (["1a"], ["1"])])
def test_poses_that_may_be_two_are_not_joined(poses, there):
    """A number that is not one pose's alone joins nothing, nor do two kinds of word."""
    assert spelt_as(poses, there) == {}
