"""A run written to a folder and read again is the same run."""

from pathlib import Path

import numpy as np
import pytest

from calib.chain.rig import rig_from_template
from calib.run.blank import blank_files
from calib.run.export import run_files
from calib.run.folder import read_run, rig_from_text
from calib.run.records import Poses, Run, Shots, Tape
from calib.run.write import write_new_folder


def drawn_run(seed, rig):
    """Random numbers in every record; ids that tempt a reader."""
    rng = np.random.default_rng(seed)
    n = 12
    poses = Poses(
        ids=("001", "1", "NA", "nan", "#7", "a,b", 'q"q', "1e5", "Ä 1", "TRUE", "2031-05-04", "-"),
        stand=("A", "0") * (n // 2),
        readings=np.radians(rng.uniform(-180, 180, (n, len(rig.readings)))),
        sd=np.tile([r.sd for r in rig.readings], (n, 1)),
        time=(None,) * n,
        line=tuple(range(2, n + 2)),
    )
    pose = np.repeat(np.arange(n), 2)
    shots = Shots(
        ids=tuple(f"{i:02d}" for i in range(2 * n)),
        pose=pose,
        target=np.tile([rig.target_names.index(t) for t in ("edge_left", "edge_right")], n),
        position=rng.uniform([499_000, 5_000_000, -100], [499_010, 5_000_010, -90], (2 * n, 3)),
        covariance=np.tile(np.diag(rig.shot_sd**2), (2 * n, 1, 1)),
        time=(None,) * (2 * n),
        line=tuple(range(2, 2 * n + 2)),
    )
    tape = Tape(("boom_length", "tilt_zero", "pin_to_edge"), np.array([5.7023, -0.021, 1.6105]),
                np.array([0.005, 0.004, 0.01]), ("m", "deg", "mm"), (2, 3, 4))
    check = np.isin(pose, [3, 4])
    return Run(Path(), rig, poses, shots.select(~check), shots.select(check), tape, {})


@pytest.mark.parametrize("seed", range(5))
def test_write_then_read(tmp_path, seed):
    """Ids to the letter; numbers to half of the last digit that is written."""
    rig_toml = blank_files(())["rig.toml"]
    rig = rig_from_text(rig_toml)
    run = drawn_run(seed, rig)
    write_new_folder(tmp_path / "run", run_files(run, rig_toml, "Invented, with a comma."))
    again = read_run(tmp_path / "run")
    assert again.rig.parameter_names == rig_from_template("tilt_rotator").parameter_names
    assert (again.poses.ids, again.poses.stand) == (run.poses.ids, run.poses.stand)
    np.testing.assert_allclose(again.poses.readings, run.poses.readings, rtol=0,
                               atol=np.radians(0.5001e-3))
    np.testing.assert_allclose(again.poses.sd, run.poses.sd, rtol=1e-12)
    for read, written in ((again.shots, run.shots), (again.check, run.check)):
        assert read.ids == written.ids
        np.testing.assert_array_equal(read.pose, written.pose)
        np.testing.assert_array_equal(read.target, written.target)
        np.testing.assert_allclose(read.position, written.position, rtol=0, atol=0.5001e-4)
        np.testing.assert_allclose(read.covariance, written.covariance, rtol=1e-12, atol=1e-30)
    assert again.tape.quantities == run.tape.quantities
    np.testing.assert_allclose(again.tape.value, run.tape.value, rtol=0, atol=1e-4)
