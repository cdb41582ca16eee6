"""Readings to calibrated angles and joints, and back, with the derivatives by all locals."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property, reduce

import numpy as np

from calib.chain.basis import OF_READING, of_reading
from calib.chain.linkages import LINKAGES
from calib.chain.motion import PLACEMENT
from calib.chain.sensors import SENSOR_KINDS, Number, Up

# Steps of the search for the reading at an angle, and where it ends, rad.
_MOST_STEPS, _SETTLED = 20, 1e-15


@dataclass(frozen=True)
class Sensor:
    """A reading and how it becomes a joint angle.

    ``joint = linkage(kind(direction * reading + zero + varying))``
    """

    name: str  #: Of its reading.
    kind: str  #: One of `calib.chain.sensors.SENSOR_KINDS`.
    direction: float = 1.0
    zero: str | None = None
    #: Names parameters, and what each is multiplied with (`calib.chain.basis.OF_READING`, or a
    #: column of readings.csv).
    varying: Mapping[str, str] = field(default_factory=dict)
    #: One of `calib.chain.linkages.LINKAGES`, if it does not sit at the joint.
    through: str | None = None
    #: Inputs of kind and linkage, and the parameters, or other readings, that they are.
    uses: Mapping[str, str] = field(default_factory=dict)
    branch: float = 1.0  #: +1 or -1, of the linkage.

    @property
    def names(self) -> frozenset[str]:
        """The parameters that its joint angle depends on."""
        return frozenset(n for n in (self.zero, *self.varying, *self.uses.values())
                         if n is not None)

    @property
    def blind(self) -> str:
        """Why it may not see its joint, in words."""
        return LINKAGES[self.through].blind if self.through else SENSOR_KINDS[self.kind].blind

    @property
    def steady(self) -> bool:
        """Whether its joint angle has the same derivatives in every pose."""
        return self.kind == "joint" and not self.varying and not self.through


@dataclass(frozen=True)
class Told:
    """What a sensor tells of its joint in each pose."""

    joint: np.ndarray  #: Shape (n_poses,). The joint angle, rad.
    #: Shape (n_poses,), or float. Its change over that of the reading, where small is good.
    sight: np.ndarray | float
    #: Shape (n_local,) or (n_poses, n_local). Derivative by the locals, without what comes through
    #: the up vector.
    rate: np.ndarray | None
    #: Derivative by the components of the up vector, as in `calib.chain.sensors.Felt`.
    by_up: tuple[np.ndarray | None, ...] | None


@dataclass(frozen=True)
class Calibrated:
    """All sensors of a chain: ``angle = direction * reading + zero + varying``."""

    sensors: tuple[Sensor, ...]
    #: Of the chain. Its local variables are these, the placement and the readings.
    parameters: tuple[str, ...]
    #: What is noted of a pose: the columns of `noted`, shape (n_poses, n_pose_columns).
    pose_columns: tuple[str, ...] = ()

    def angles(self, parameters: np.ndarray, readings: np.ndarray,
               noted: np.ndarray) -> np.ndarray:
        """Calibrated angles of readings, both of shape (n_poses, n_readings), rad.

        Here and in `told`, `parameters` are of one machine, or of that of each pose: (p,) or
        (n_poses, p).
        """
        angles: np.ndarray = self._directions * readings + parameters @ self._zeros.T
        for s, sensor in enumerate(self.sensors):
            if sensor.varying:
                angles[:, s] += self._varied(s, parameters, readings[:, s], noted)[0]
        return angles

    def told(self, s: int, angles: np.ndarray, up: Up, parameters: np.ndarray,
             readings: np.ndarray, noted: np.ndarray, jacobian: bool) -> Told:
        """The joint of a sensor.

        Parameters
        ----------
        angles : ndarray, shape (n_poses, n_readings)
            Calibrated, of all sensors; see `angles`.
        up : tuple
            In the frame before the joint, see `calib.chain.sensors`.
        jacobian : bool
            Whether the derivative is asked for.
        """
        sensor, angle = self.sensors[s], angles[:, s]
        if sensor.steady:
            return Told(angle, 1.0, self.plain_rates[s] if jacobian else None, None)
        inputs = self._inputs(s, parameters, angles)
        felt = SENSOR_KINDS[sensor.kind].felt(angle, up, inputs)
        by_angle, by_up, by_inputs, sight = felt.by_angle, felt.by_up, felt.by_inputs, felt.by_angle
        joint = felt.angle
        if sensor.through is not None:
            linkage = LINKAGES[sensor.through]
            driven = linkage.joint(felt.angle, inputs)
            joint, by_angle = driven.angle, driven.by_angle * by_angle
            sight = by_angle
            if linkage.arms:
                sight = by_angle * reduce(np.minimum, (inputs[name] for name in linkage.arms))
            if by_up is not None:
                by_up = tuple(d if d is None else d * driven.by_angle for d in by_up)
            by_inputs = {**{name: d * driven.by_angle for name, d in by_inputs.items()},
                         **driven.by_inputs}
        if not jacobian:
            return Told(joint, sight, None, by_up)
        rate = np.multiply(by_angle, np.ones_like(angle))[:, None] * self.rates(
            s, parameters, readings, noted)
        for name, derivative in by_inputs.items():
            if name in SENSOR_KINDS[sensor.kind].sensors:
                rate += np.asarray(derivative)[:, None] * self.rates(
                    self._index[sensor.uses[name]], parameters, readings, noted)
            elif name in sensor.uses:
                rate[:, self.parameters.index(sensor.uses[name])] += derivative
        return Told(joint, sight, rate, by_up)

    def reading_of(self, s: int, joints: np.ndarray, up: Up, parameters: np.ndarray,
                   noted: np.ndarray) -> np.ndarray:
        """The readings of a sensor at known joint angles (n_poses, n_readings); the inverse.

        Shape (n_poses,), rad or m.
        """
        sensor, joint = self.sensors[s], joints[:, s]
        inputs = self._inputs(s, parameters, joints)
        if sensor.through is not None:
            joint = LINKAGES[sensor.through].told(joint, inputs)
        angle = SENSOR_KINDS[sensor.kind].angle(joint, up, inputs)
        return self._reading_at(s, angle, parameters, noted)

    def _inputs(self, s: int, parameters: np.ndarray, angles: np.ndarray) -> dict[str, Number]:
        """What kind and linkage need; 0 where a sensor leaves an angle of its linkage out."""
        sensor = self.sensors[s]
        inputs: dict[str, Number] = {
            name: angles[:, self._index[used]] if used in self._index
            else parameters[..., self.parameters.index(used)]
            for name, used in sensor.uses.items()}
        if sensor.through is not None:
            inputs["branch"] = sensor.branch
            for name in LINKAGES[sensor.through].angles:
                inputs.setdefault(name, 0.0)
        return inputs

    def rates(self, s: int, parameters: np.ndarray, readings: np.ndarray,
              noted: np.ndarray) -> np.ndarray:
        """Derivative of a sensor's angle by the locals, shape (n_local,) or (n_poses, n_local)."""
        sensor = self.sensors[s]
        if not sensor.varying:
            rate: np.ndarray = self.plain_rates[s]
            return rate
        rates = np.tile(self.plain_rates[s], (len(readings), 1))
        rates[:, len(self.parameters) + len(PLACEMENT) + s] += self._varied(
            s, parameters, readings[:, s], noted)[1]
        for name, times in sensor.varying.items():
            rates[:, self.parameters.index(name)] += self._basis(times, readings[:, s], noted)[0]
        return rates

    def _reading_at(self, s: int, angle: np.ndarray, parameters: np.ndarray, noted: np.ndarray
                    ) -> np.ndarray:
        """The readings at which a sensor's calibrated angle is as given, shape (n,)."""
        angle = angle - self._zeros[s] @ parameters
        reading: np.ndarray = angle * self._directions[s]
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

    def _varied(self, s: int, parameters: np.ndarray, reading: np.ndarray, noted: np.ndarray
                ) -> tuple[np.ndarray, np.ndarray]:
        """What varies in the angle, and its derivative by the reading, each of shape (n,)."""
        extra, slope = np.zeros_like(reading), np.zeros_like(reading)
        for name, times in self.sensors[s].varying.items():
            value, rate = self._basis(times, reading, noted)
            size = parameters[..., self.parameters.index(name)]
            extra, slope = extra + size * value, slope + size * rate
        return extra, slope

    def _basis(self, times: str, reading: np.ndarray, noted: np.ndarray
               ) -> tuple[np.ndarray, np.ndarray]:
        """What a parameter is multiplied with, and its derivative by the reading, shape (n,)."""
        if times in OF_READING:
            return of_reading(times, reading)
        return noted[:, self.pose_columns.index(times)], np.zeros_like(reading)

    @cached_property
    def _index(self) -> dict[str, int]:
        return {sensor.name: s for s, sensor in enumerate(self.sensors)}

    @cached_property
    def _directions(self) -> np.ndarray:
        return np.array([s.direction for s in self.sensors])

    @cached_property
    def _zeros(self) -> np.ndarray:
        """Shape (n_readings, n_parameters): which parameter is each sensor's zero."""
        matrix = np.zeros((len(self.sensors), len(self.parameters)))
        for s, sensor in enumerate(self.sensors):
            if sensor.zero is not None:
                matrix[s, self.parameters.index(sensor.zero)] = 1.0
        return matrix
