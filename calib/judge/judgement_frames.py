"""A judgement as tables, in m and deg, for those who go on with it in Python."""

from collections.abc import Iterable
from dataclasses import fields
from typing import Any

import numpy as np
import pandas as pd

from calib.frames import AXES, names_of_shots, reading_frame, shot_frame
from calib.judge.gates import Gate
from calib.judge.noise import Noise
from calib.judge.trends import Trend


def _frame(records: Iterable[object], kind: type, *index: str) -> pd.DataFrame:
    """A row for each record; what a record has of arrays or several names is left out."""
    told = [f.name for f in fields(kind) if f.type not in (np.ndarray, tuple[str, ...])]
    return pd.DataFrame([[getattr(r, name) for name in told] for r in records], columns=told
                        ).set_index([*index])


def gate_frame(judgement: Any) -> pd.DataFrame:
    """Every gate, by name: passed; of a test its chance and what that was held against."""
    return _frame(judgement.gates, Gate, "name")


def suspect_frame(judgement: Any) -> pd.DataFrame:
    """Every suspect, by name, as they were found, with its test and what it moves.

    `miss` is the length of all of it, measured less predicted, in `unit`; `chance` that the worst
    value of a clean run is as far out, `beyond_chance` whether that is too seldom. `moves_by`: how
    far the parameter `moves` is moved, in `moves_unit`.
    """
    suspects = judgement.suspects
    solution, found = suspects.solution, suspects.found
    rig = solution.rig
    unit = {q.name: q.unit for q in (*rig.parameters, *rig.derived)}
    layout = dict(zip(solution.problem.layout.names, solution.problem.layout.units, strict=True))
    units = [rig.readings[s.reading].unit if s.reading is not None else unit.get(s.quantity, "m")
             for s in found]
    moved = [layout[s.moves] for s in found]
    poses = solution.run.poses.ids
    return pd.DataFrame({
        "kind": [s.kind for s in found],
        "pose": [None if s.pose is None else poses[s.pose] for s in found],
        "miss": [_shown(np.linalg.norm(s.miss), u) for s, u in zip(found, units, strict=True)],
        "unit": units,
        "statistic": [s.statistic for s in found],
        "dof": [s.dof for s in found],
        "limit": [s.limit for s in found],
        "chance": [s.chance for s in found],
        "beyond_chance": [s in suspects.beyond_chance for s in found],
        "moves": [s.moves for s in found],
        "moves_by": [_shown(s.moves_by, u) for s, u in zip(found, moved, strict=True)],
        "moves_unit": moved,
        "moves_in_sd": [s.moves_in_sd for s in found],
    }, index=pd.Index([s.name for s in found], name="suspect"))


def _shown(value: np.floating | float, unit: str) -> float:
    return float(np.degrees(value) if unit == "deg" else value)


def checked_shot_frame(judgement: Any) -> pd.DataFrame:
    """`calib.frames.shot_frame` with how well each coordinate is checked, and the suspects.

    Standardised residual (w), redundancy, and the least error that the test detects, m.
    """
    checks, frame = judgement.reliability.observations, shot_frame(judgement.suspects.solution)
    for name, values in (("w", checks.w), ("redundancy", checks.redundancy),
                         ("detectable", checks.mdb)):
        frame[[f"{name}_{axis}" for axis in AXES]] = values.reshape(-1, 3)
    return frame.assign(suspect=judgement.suspects.shot_mask)


def checked_reading_frame(judgement: Any) -> pd.DataFrame:
    """`calib.frames.reading_frame` with how well each reading is checked, and the suspects."""
    solution, checks = judgement.suspects.solution, judgement.reliability.readings
    return reading_frame(solution).assign(
        w=checks.w.ravel(), redundancy=checks.redundancy.ravel(),
        detectable=(solution.rig.reading_factors * checks.mdb).ravel(),
        suspect=judgement.suspects.reading_mask.ravel())


def check_frame(judgement: Any) -> pd.DataFrame:
    """Every check shot, by id: pose, stand, target; its miss and how long that is, m; within."""
    solution, check = judgement.suspects.solution, judgement.check
    if check is None:
        raise ValueError("there are no check shots")
    return pd.DataFrame({
        **names_of_shots(solution.run, check.shots),
        **{f"miss_{axis}": check.misses[:, i] for i, axis in enumerate(AXES)},
        "miss_3d": check.lengths,
        "within": check.lengths <= check.tolerance,
    }, index=pd.Index(check.shots.ids, name="shot"))


def noise_frame(judgement: Any) -> pd.DataFrame:
    """Every kind of value: its estimated over its stated sd, with the interval at 95 %."""
    return _frame(judgement.noise or (), Noise, "name")


def trend_frame(judgement: Any) -> pd.DataFrame:
    """Every trend that was looked for, strongest first."""
    return _frame(judgement.trends, Trend, "what", "against")


JUDGED = {"gates": gate_frame, "suspects": suspect_frame, "shots": checked_shot_frame,
          "readings": checked_reading_frame, "check": check_frame, "noise": noise_frame,
          "trends": trend_frame}
