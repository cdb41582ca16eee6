"""A run in memory as the text of the files of a run folder."""

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from calib.run.records import Run, Shots
from calib.run.units import from_si
from calib.run.write import csv_text


def run_files(run: Run, rig_toml: str, remark: str = "") -> dict[str, str]:
    """The files of a run folder: lengths to 0.1 mm, angles to 0.001 deg.

    Shots are written without sds of their own, readings likewise: `rig_toml` must state both.

    Parameters
    ----------
    rig_toml : str
        The text of rig.toml.
    remark : str
        A sentence put as a comment at the head of every CSV.
    """
    head = f"# {remark}\n" if remark else ""
    readings = pd.DataFrame({"pose": run.poses.ids, "stand": run.poses.stand})
    for i, reading in enumerate(run.rig.readings):
        cells = _fixed(run.rig.reading_factors[i] * run.poses.readings[:, i],
                       3 if reading.unit == "deg" else 4)
        readings[reading.name] = np.where(np.isfinite(run.poses.sd[:, i]), cells, "")
    for column in run.rig.pose_columns:
        if column.name in run.poses.noted:
            readings[column.name] = column.in_words(run.poses.noted[column.name])
    places = partial(_fixed, decimals=4)
    files = {
        "rig.toml": rig_toml,
        "readings.csv": head + csv_text(readings),
        "shots.csv": head + csv_text(pd.DataFrame(shot_columns(run, run.shots, places))),
    }
    if run.tape.quantities:
        files["tape.csv"] = head + csv_text(_tape_frame(run.tape))
    if run.check is not None:
        files["check.csv"] = head + csv_text(pd.DataFrame(shot_columns(run, run.check, places)))
    return files


def shot_columns(run: Run, shots: Shots, written: Callable[[np.ndarray], Any]) -> dict[str, Any]:
    """The columns that every shot has, lengths as they are to be written."""
    return {
        "shot": shots.ids,
        "pose": [run.poses.ids[p] for p in shots.pose],
        "target": [run.rig.target_names[t] for t in shots.target],
        **dict(zip(("east", "north", "up"), map(written, shots.position.T), strict=True)),
    }


def _tape_frame(tape):
    """Lengths in mm, as a person would write them."""
    units = ["deg" if unit == "deg" else "mm" for unit in tape.unit]
    columns = {"quantity": tape.quantities}
    for name, values in (("value", tape.value), ("sd", tape.sd)):
        columns[name] = [
            f"{from_si(value, unit):.{2 if unit == 'deg' else 1}f}"
            for value, unit in zip(values, units, strict=True)
        ]
    return pd.DataFrame({**columns, "unit": units})


def _fixed(values, decimals):
    return [f"{value:.{decimals}f}" for value in values]

