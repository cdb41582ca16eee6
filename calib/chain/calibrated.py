"""Readings to calibrated angles and back: direction, zero, and what varies with the reading."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from calib.chain.basis import OF_READING, of_reading
from calib.chain.motion import PLACEMENT

# Steps of the search for the reading at an angle, and where it ends, rad.
_MOST_STEPS, _SETTLED = 20, 1e-15


@dataclass(frozen=True)
class Sensor:
    """A reading and how it becomes a joint angle: ``kind(direction * reading + zero + varying)``.

    `varying` names parameters, and what each is multiplied with
    (`calib.chain.basis.OF_READING`, or a column of readings.csv).
    """

    reading: str
    kind: str
    direction: float = 1.0
    zero: str | None = None
    varying: Mapping[str, str] = field(default_factory=dict)

    @property
    def names(self) -> frozenset[str]:
        """The parameters that its angle depends on."""
        return frozenset(n for n in (self.zero, *self.varying) if n is not None)


@dataclass(frozen=True)
class Calibrated:
    """All sensors of a chain: ``angle = direction * reading + zero + varying``.

    Attributes
    ----------
    parameters : tuple of str
        Of the chain. Its local variables are these, the placement and the readings.
    pose_columns : tuple of str
        What is noted of a pose: the columns of `noted`, shape (n_poses, n_pose_columns).
    """

    sensors: tuple[Sensor, ...]
    parameters: tuple[str, ...]
    pose_columns: tuple[str, ...] = ()

    def angles(self, parameters: np.ndarray, readings: np.ndarray,
               noted: np.ndarray) -> np.ndarray:
        """Calibrated angles of readings, both of shape (n_poses, n_readings), rad."""
        angles = self._directions * readings + self._zeros @ parameters
        for s, sensor in enumerate(self.sensors):
            if sensor.varying:
                angles[:, s] += self._varied(s, parameters, readings[:, s], noted)[0]
        return angles

    def rates(self, s: int, parameters: np.ndarray, readings: np.ndarray,
              noted: np.ndarray) -> np.ndarray:
        """Derivative of a sensor's angle by the locals, shape (n_local,) or (n_poses, n_local)."""
        sensor = self.sensors[s]
        if not sensor.varying:
            return self.plain_rates[s]
        rates = np.tile(self.plain_rates[s], (len(readings), 1))
        rates[:, len(self.parameters) + len(PLACEMENT) + s] += self._varied(
            s, parameters, readings[:, s], noted)[1]
        for name, times in sensor.varying.items():
            rates[:, self.parameters.index(name)] += self._basis(times, readings[:, s], noted)[0]
        return rates

    def reading_at(self, s: int, angle: np.ndarray, parameters: np.ndarray,
                   noted: np.ndarray) -> np.ndarray:
        """The readings at which a sensor's angle is as given, shape (n,), rad; the inverse."""
        angle = angle - self._zeros[s] @ parameters
        reading = angle * self._directions[s]
        if not self.sensors[s].varying:
            return reading
        for _ in range(_MOST_STEPS):  # Newton's
            extra, slope = self._varied(s, parameters, reading, noted)
            step = (angle - self._directions[s] * reading - extra) / (self._directions[s] + slope)
            reading = reading + step
            if np.abs(step).max(initial=0.0) < _SETTLED:
                break
        return reading

    @cached_property
    def plain_rates(self) -> np.ndarray:
        """Derivatives without what varies, shape (n_readings, n_local)."""
        placement = np.zeros((len(self.sensors), len(PLACEMENT)))
        return np.hstack([self._zeros, placement, np.diag(self._directions)])

    def _varied(self, s, parameters, reading, noted):
        """What varies in the angle, and its derivative by the reading, each of shape (n,)."""
        extra, slope = np.zeros_like(reading), np.zeros_like(reading)
        for name, times in self.sensors[s].varying.items():
            value, rate = self._basis(times, reading, noted)
            size = parameters[self.parameters.index(name)]
            extra, slope = extra + size * value, slope + size * rate
        return extra, slope

    def _basis(self, times, reading, noted):
        """What a parameter is multiplied with, and its derivative by the reading, shape (n,)."""
        if times in OF_READING:
            return of_reading(times, reading)
        return noted[:, self.pose_columns.index(times)], np.zeros_like(reading)

    @cached_property
    def _directions(self):
        return np.array([s.direction for s in self.sensors])

    @cached_property
    def _zeros(self):
        """Shape (n_readings, n_parameters): which parameter is each sensor's zero."""
        matrix = np.zeros((len(self.sensors), len(self.parameters)))
        for s, sensor in enumerate(self.sensors):
            if sensor.zero is not None:
                matrix[s, self.parameters.index(sensor.zero)] = 1.0
        return matrix
