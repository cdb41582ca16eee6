"""What field files look like, for the tests of the import."""

from calib.run.folder import read_run
from tests.conftest import STANDARD

RIG_TOML = (
    'template = "tilt_rotator"\n[shots]\nsd = { east = 0.002, north = 0.002, up = 0.002 }\n'
    "[readings.sd]\n" + "".join(f"{k} = {v}\n" for k, v in STANDARD["readings"]["sd"].items())
)
CREW_NAME = {"edge_left": "left", "edge_right": "right"}
NAMES = ["--ids", "{pose}-{target}", "--target", "left=edge_left", "--target", "right=edge_right"]
PLAIN = ["--order", "PNEZD", "--unit", "m", "--frame", "ground", "--pole", "applied", *NAMES]


def job_lines(run):
    """PNEZD lines of a run's shots, 4 decimals."""
    for pose, target, position in zip(run.shots.pose, run.shots.target, run.shots.position,
                                      strict=True):
        east, north, up = position
        name = f"{run.poses.ids[pose]}-{CREW_NAME[run.rig.target_names[target]]}"
        yield f"{name},{north:.4f},{east:.4f},{up:.4f},edge\n"


def imported(folder):
    """The run of a folder, completed by the tape and the rig with its sds."""
    (folder / "rig.toml").write_text(RIG_TOML)
    (folder / "tape.csv").write_text((folder.parent / "tape.csv").read_text())
    return read_run(folder)
