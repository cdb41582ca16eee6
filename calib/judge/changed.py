"""Runs of which something is changed, as if it had been noted otherwise."""

from collections.abc import Callable, Sequence
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


def with_columns(run: Run, columns: Sequence[int],
                 function: Callable[[np.ndarray], np.ndarray]) -> Run:
    """The run with a function of some columns of readings in their place."""
    readings = run.poses.readings.copy()
    readings[:, columns] = function(readings[:, columns])
    return with_readings(run, readings)


def east_and_north_exchanged(run: Run) -> Run:
    """The run with its shots' coordinates in the other order."""
    order = [1, 0, 2]
    return with_shots(run, position=run.shots.position[:, order],
                      covariance=run.shots.covariance[:, order][:, :, order])


def upside_down(run: Run) -> Run:
    """The run with heights of the other sign."""
    turn = np.array([1.0, 1.0, -1.0])
    return with_shots(run, position=run.shots.position * turn,
                      covariance=run.shots.covariance * np.outer(turn, turn))


def exchanged(numbers: np.ndarray, a: int, b: int) -> np.ndarray:
    """The numbers with one in place of another, and the other way round."""
    return np.where(numbers == a, b, np.where(numbers == b, a, numbers))
