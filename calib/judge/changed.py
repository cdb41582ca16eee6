"""Runs of which something is changed, as if it had been noted otherwise."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from calib.run.records import Run


def with_shots(run: Run, **changes: Any) -> Run:
    """The run with some fields of its shots changed."""
    return replace(run, shots=replace(run.shots, **changes))


def with_readings(run: Run, readings: np.ndarray, sd: np.ndarray | None = None) -> Run:
    """The run with other readings."""
    sd = run.poses.sd if sd is None else sd
    return replace(run, poses=replace(run.poses, readings=readings, sd=sd))


def with_stands(run: Run, stand: Sequence[str]) -> Run:
    """The run with other stand labels."""
    return replace(run, poses=replace(run.poses, stand=tuple(stand)))
