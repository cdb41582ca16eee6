"""Six layouts of field files through `calib import`, with nothing said but what is doubtful."""

import numpy as np
import pytest

from calib.run.export import run_files
from calib.run.folder import read_run
from tests.intake.field_files import RIG_TOML
from tests.intake.layouts import layouts, shots_of


@pytest.fixture
def begun(tmp_path, run, monkeypatch):
    """An empty folder to work in, and the run folder with rig and tape."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "rig.toml").write_text(RIG_TOML)
    (tmp_path / "run" / "tape.csv").write_text(run_files(run, RIG_TOML)["tape.csv"])
    return tmp_path


@pytest.mark.parametrize("number", range(6))
def test_layout_is_imported_as_meant(begun, calib, run, number):
    """The same shots and readings come out; only what no file tells had to be said."""
    layout = layouts(run)[number]
    for name, text in layout.files.items():
        (begun / name).write_text(text)
    status, _, err = calib(*layout.files, "--yes", *layout.doubtful)
    assert status == 0, err
    got = read_run(begun / "run")
    expected = {(pose, f"edge_{side}"): at for pose, side, at, _ in shots_of(run)}
    found = {(got.poses.ids[p], got.rig.target_names[t]): at for p, t, at in zip(
        got.shots.pose, got.shots.target, got.shots.position, strict=True)}
    assert set(found) == set(expected)
    for key, at in expected.items():
        np.testing.assert_allclose(found[key], at + np.array(layout.moved),
                                   atol=layout.tolerance, rtol=0)
    at = [got.poses.ids.index(pose) for pose in run.poses.ids]
    np.testing.assert_allclose(np.degrees(got.poses.readings[at]), np.degrees(run.poses.readings),
                               atol=0.01)


@pytest.mark.parametrize("number", [1, 4])
def test_what_is_doubtful_is_refused(begun, calib, run, number):
    """Without the options the same layouts end with 3, the option is named, nothing is written."""
    layout = layouts(run)[number]
    for name, text in layout.files.items():
        (begun / name).write_text(text)
    status, _, err = calib(*layout.files, "--yes")
    assert status == 3
    assert layout.doubtful[0] in err
    assert not (begun / "run" / "shots.csv").exists()


def test_the_second_import_needs_nothing(begun, calib, run):
    """What was settled is kept in the run folder: the same kind of files again, no option."""
    layout = layouts(run)[4]
    for name, text in layout.files.items():
        (begun / name).write_text(text)
    calib(*layout.files, "--yes", *layout.doubtful)
    status, _, err = calib(*layout.files, "--yes", "--replace")
    assert status == 0, err
