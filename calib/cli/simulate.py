"""``calib simulate``: a run with known truth, to learn and to test with."""

import json
from pathlib import Path

import numpy as np
import typer

from calib.cli.task_options import prepared
from calib.console import talk
from calib.plan.plan import make_plan
from calib.plan.rehearsal import rehearsed
from calib.plan.task import Task
from calib.report.record import truth_document
from calib.run.complaints import Findings
from calib.run.export import run_files
from calib.run.folder import complain_of_missing_sds
from calib.run.rig_file import read_rig
from calib.run.text import file_text
from calib.run.write import refuse_filled, write_new_folder

#: Poses that the plan of a run is chosen from.
_CANDIDATES = 2000

#: The rig of a simulated run when the user names none.
STANDARD_RIG = """\
# Invented data: a simulated machine and run.
template = "tilt_rotator"

[shots]
sd = { east = 0.002, north = 0.002, up = 0.002 }   # m

[readings.sd]          # deg
house_pitch = 0.03
house_roll = 0.03
boom = 0.05
stick = 0.05
coupler = 0.05
tilt = 0.06
rotate = 0.10
"""


def simulate(folder: Path, poses: int, stands: int, check_poses: int, gross: int, seed: int,
             rig: Path | None) -> None:
    """Make a run folder of an invented machine."""
    if (folder / "rig.toml").is_file():  # a run already: this is refused, the run goes on
        talk.follow("solve", folder)
    refuse_filled(folder)
    machine, text = _machine(rig)
    # What a crew would shoot in so many poses.
    plan = make_plan(prepared(Task.for_rig(machine, seed=seed, count=_CANDIDATES), folder), poses,
                     stands)
    if (count := int(plan.shots.sum())) < gross:
        raise typer.BadParameter(f"{gross} gross errors but only {count} shots")
    run, truth = rehearsed(plan, np.random.default_rng(seed), check_poses=check_poses,
                           gross_errors=gross)
    remark = f"Invented data: simulated with seed {seed}."
    files = run_files(run, text, remark)
    files["truth.json"] = json.dumps(truth_document(machine, run, truth, remark), indent=1) + "\n"
    write_new_folder(folder, files)
    made = len(plan.design)
    if made < poses:
        talk.tell(f"Not {poses} poses: of those looked at, {made} are different and can be shot.")
    talk.result(f"Made {folder}: {made} poses, {len(run.shots)} shots.")
    talk.follow("solve", folder)


def _machine(rig):
    """The rig of a file, complete enough to draw errors from, and the text of it."""
    findings, file = Findings(), "rig.toml" if rig is None else str(rig)
    text = STANDARD_RIG if rig is None else file_text(rig, file, "a rig file", findings)
    machine = None if text is None else read_rig(text, file, findings)
    if machine is not None:
        complain_of_missing_sds(machine, file, findings)
    findings.stop_if_at_fault()
    return machine, text
