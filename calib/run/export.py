"""A run in memory as the text of the files of a run folder."""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from calib.chain.parts import Reading
from calib.run.folder import BACKSIGHTS, CHECK, READINGS, RIG, SETUPS, SHOTS, TAPE
from calib.run.observed import COVARIANCES, PAIRS
from calib.run.records import Run, Shots, Tape
from calib.run.rig_file import AXES
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
    to_tenths = partial(_fixed, decimals=4)
    tables = {
        READINGS: _readings(run, lambda values, reading: _fixed(
            values, 3 if reading.unit == "deg" else 4)) | _noted(run),
        SHOTS: _shots(run, run.shots, to_tenths),
    }
    if run.tape.quantities:  # lengths in mm, as a person would write them
        units = ["deg" if unit == "deg" else "mm" for unit in run.tape.unit]
        tables[TAPE] = _tape(run.tape, units,
                             lambda value, unit: f"{value:.{2 if unit == 'deg' else 1}f}")
    if run.check is not None:
        tables[CHECK] = _shots(run, run.check, to_tenths)
    return {RIG: rig_toml, **_texts(tables, remark)}


def corrected_files(run: Run, corrected: Run, remark: str) -> dict[str, bytes | str]:
    """The files of a corrected copy of a run: what did not change is copied as it is.

    Parameters
    ----------
    run : Run
        As it was read from its folder.
    remark : str
        What was changed and why; a comment at the head of every file that is written anew.
    """
    copied = {name: (run.folder / name).read_bytes()
              for name in (RIG, SETUPS, BACKSIGHTS, READINGS, SHOTS, TAPE, CHECK)
              if name in run.files}
    tables = {}
    if (poses := corrected.poses) is not run.poses:
        sds = {f"sd_{name}": column for name, column in _of_readings(
            corrected, poses.sd, lambda values, _: np.round(values, 6)).items()}
        tables[READINGS] = _readings(corrected, lambda values, _: np.round(values, 6)) | sds \
            | _noted(corrected) | ({"time": poses.time} if any(poses.time) else {})
    for name, before, after in ((SHOTS, run.shots, corrected.shots),
                                (CHECK, run.check, corrected.check)):
        if after is not None and after is not before:
            tables[name] = _shots(corrected, after, lambda values: np.round(values, 6)) \
                | _of_their_own(corrected, after)
    if corrected.tape is not run.tape:
        tables[TAPE] = _tape(corrected.tape, corrected.tape.unit, lambda value, _: value)
    return {**copied, **_texts(tables, " ".join(remark.split()))}


def _texts(tables, remark):
    head = f"# {remark}\n" if remark else ""
    return {name: head + csv_text(pd.DataFrame(columns)) for name, columns in tables.items()}


def _readings(run: Run, written: Callable[[np.ndarray, Reading], Any]) -> dict[str, Any]:
    return {"pose": run.poses.ids, "stand": run.poses.stand,
            **_of_readings(run, run.poses.readings, written)}


def _of_readings(run, values, written):
    """A column for each reading, NaN where it is unknown."""
    known = np.where(np.isfinite(run.poses.sd), values, np.nan) * run.rig.reading_factors
    return {reading.name: written(column, reading)
            for reading, column in zip(run.rig.readings, known.T, strict=True)}


def _noted(run):
    return {column.name: column.in_words(run.poses.noted[column.name])
            for column in run.rig.pose_columns if column.name in run.poses.noted}


def _shots(run: Run, shots: Shots, written: Callable[[np.ndarray], Any]) -> dict[str, Any]:
    return {
        "shot": shots.ids,
        "pose": [run.poses.ids[p] for p in shots.pose],
        "target": [run.rig.target_names[t] for t in shots.target],
        **dict(zip(AXES, map(written, shots.position.T), strict=True)),
    }


def _of_their_own(run: Run, shots: Shots) -> dict[str, Any]:
    """What shots have besides: sds and covariances, times, set-ups."""
    columns: dict[str, Any] = {f"sd_{axis}": np.sqrt(shots.covariance[:, i, i])
                               for i, axis in enumerate(AXES)}
    columns |= {name: shots.covariance[:, i, j] for name, (i, j) in
                zip(COVARIANCES, PAIRS, strict=True) if shots.covariance[:, i, j].any()}
    if any(shots.time):
        columns["time"] = shots.time
    if shots.setup is not None and run.set_ups is not None:
        columns["setup"] = [run.set_ups.ids[s] if s >= 0 else "" for s in shots.setup]
    return columns


def _tape(tape: Tape, units: Sequence[str], written: Callable[[float, str], Any]
          ) -> Mapping[str, Any]:
    columns = {name: [written(from_si(value, unit), unit)
                      for value, unit in zip(values, units, strict=True)]
               for name, values in (("value", tape.value), ("sd", tape.sd))}
    return {"quantity": tape.quantities, **columns, "unit": units}


def _fixed(values, decimals):
    return ["" if np.isnan(value) else f"{value:.{decimals}f}" for value in values]
