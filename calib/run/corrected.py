"""A run in memory as a corrected copy of the folder that it was read from."""

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calib.run.complaints import InputError
from calib.run.export import shot_columns
from calib.run.folder import BACKSIGHTS, CHECK, READINGS, RIG, SETUPS, SHOTS, TAPE
from calib.run.records import Run, Shots
from calib.run.units import from_si
from calib.run.write import csv_text

_AXES = ("east", "north", "up")


def refuse_filled_folder(folder: Path) -> None:
    """Refuse a folder with anything in it, before work is done that could not be written.

    Raises
    ------
    InputError
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError.of(folder, "a folder with files in it, or a file",
                            "a new folder for the corrected copy")


def corrected_files(run: Run, corrected: Run, remark: str) -> dict[str, bytes | str]:
    """The files of the corrected copy: what did not change is copied as it is.

    Parameters
    ----------
    run : Run
        As it was read from its folder.
    remark : str
        What was changed and why; a comment at the head of every file that is written anew.
    """
    copied = [name for name in (RIG, SETUPS, BACKSIGHTS, READINGS, SHOTS, TAPE, CHECK)
              if name in run.files]
    files: dict[str, bytes | str] = {name: (run.folder / name).read_bytes() for name in copied}
    head = f"# {' '.join(remark.split())}\n"
    if corrected.poses is not run.poses:
        files[READINGS] = head + csv_text(_readings(corrected))
    for name, before, after in ((SHOTS, run.shots, corrected.shots),
                                (CHECK, run.check, corrected.check)):
        if after is not None and after is not before:
            files[name] = head + csv_text(_shots(corrected, after))
    if corrected.tape is not run.tape:
        files[TAPE] = head + csv_text(_tape(corrected))
    return files


def _readings(run):
    poses = run.poses
    frame: dict[str, Any] = {"pose": poses.ids, "stand": poses.stand}
    if any(poses.time):
        frame["time"] = poses.time
    known = np.isfinite(poses.sd)
    for prefix, values in (("", np.where(known, poses.readings, np.nan)),
                           ("sd_", np.where(known, poses.sd, np.nan))):
        for j, name in enumerate(run.rig.reading_names):
            frame[prefix + name] = np.round(run.rig.reading_factors[j] * values[:, j], 6)
    for column in run.rig.pose_columns:
        if column.name in poses.noted:
            frame[column.name] = column.in_words(poses.noted[column.name])
    return pd.DataFrame(frame)


def _shots(run, shots: Shots):
    frame = shot_columns(run, shots, lambda values: np.round(values, 6))
    for i, axis in enumerate(_AXES):
        frame[f"sd_{axis}"] = np.sqrt(shots.covariance[:, i, i])
    for i, j in ((0, 1), (0, 2), (1, 2)):
        if shots.covariance[:, i, j].any():
            frame[f"cov_{_AXES[i]}_{_AXES[j]}"] = shots.covariance[:, i, j]
    if any(shots.time):
        frame["time"] = shots.time
    if shots.setup is not None and run.set_ups is not None:
        frame["setup"] = [run.set_ups.ids[s] if s >= 0 else "" for s in shots.setup]
    return pd.DataFrame(frame)


def _tape(run):
    tape = run.tape
    return pd.DataFrame({
        "quantity": tape.quantities,
        **{name: [from_si(v, unit) for v, unit in zip(values, tape.unit, strict=True)]
           for name, values in (("value", tape.value), ("sd", tape.sd))},
        "unit": tape.unit,
    })
