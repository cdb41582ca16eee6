"""The chain: elementary motions from the site to a target, with closed-form Jacobians.

Vectorised over poses and shots: the trunk (site to the last joint) is walked once for all poses,
each target's own short branch once for all its shots. The derivative of a point with respect to a
motion's amount is the motion's axis (translation), or the axis crossed with the arm from the
motion's origin to the point (rotation); amounts depend on parameters, placements and readings
through the sensors, so the chain rule needs one more small product. Elementary transform
sequence: P. Corke, "A simple and systematic approach to assigning Denavit-Hartenberg parameters",
IEEE Trans. Robotics 23 (2007) 590-594, doi:10.1109/TRO.2007.896765 (from memory).
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from calib.chain.basis import OF_JOINT, OF_POSE, of_inclination, of_joint
from calib.chain.calibrated import Calibrated, Sensor
from calib.chain.motion import PLACEMENT, Motion
from calib.chain.sensors import BLIND_GAIN

#: The ways to shoot a target: with a pole on it, without a reflector, with a prism stuck to it.
SHOT_BY = ("pole", "reflectorless", "prism")


@dataclass(frozen=True)
class Target:
    """A point that can be shot: a branch of motions, set by parameters, from a named frame.

    `shot_by` are those of `SHOT_BY` that can be used on it.
    """

    name: str
    frame: str
    motions: tuple[Motion, ...]
    means: str
    shot_by: tuple[str, ...] = SHOT_BY

    @property
    def pointed_at(self) -> bool:
        """Whether it is shot from the instrument alone, with nobody near it."""
        return "reflectorless" in self.shot_by


@dataclass(frozen=True)
class Points:
    """Positions of targets and their derivatives.

    Attributes
    ----------
    position : ndarray, shape (n, 3)
        East, north, up in the site frame, m.
    by_parameters, by_placement, by_readings : ndarray or None
        Shapes (n, 3, n_parameters), (n, 3, 4), (n, 3, n_readings), m per m or m per rad; the
        placement is that of the shot's own stand (`calib.chain.motion.PLACEMENT`).
    """

    position: np.ndarray
    by_parameters: np.ndarray | None
    by_placement: np.ndarray | None
    by_readings: np.ndarray | None


@dataclass(frozen=True)
class Posture:
    """All poses walked through the trunk: what targets need to be placed.

    Attributes
    ----------
    joints : ndarray, shape (n_poses, n_readings)
        Joint angles, rad.
    gain : ndarray, shape (n_poses, n_readings)
        Change of the joint angle over change of the reading; large where a sensor is nearly blind.
    """

    chain: "Chain"
    parameters: np.ndarray
    joints: np.ndarray
    gain: np.ndarray
    axes: np.ndarray
    origins: np.ndarray
    rates: np.ndarray | None
    columns: dict[str, tuple[np.ndarray, ...]]
    positions: dict[str, np.ndarray]

    @property
    def blind(self) -> np.ndarray:
        """Mask (n_poses, n_readings) of readings that say too little about their joint."""
        return ~(np.abs(self.gain) <= BLIND_GAIN)

    def points(self, target: np.ndarray, pose: np.ndarray) -> Points:
        """Place targets.

        Parameters
        ----------
        target, pose : ndarray of int, shape (n,)
            Index into the chain's targets and into the poses of this posture.

        Returns
        -------
        Points
            With derivatives unless the posture was made without.
        """
        target, pose = np.asarray(target), np.asarray(pose)
        position, everything = np.empty((len(target), 3)), np.arange(len(self.joints))
        local = None
        if self.rates is not None:
            local = np.empty((len(target), 3, self.rates.shape[2]))
        for index in np.unique(target):
            rows = np.flatnonzero(target == index)
            # A target shot once in every pose, the usual case, needs no copy of the trunk.
            every = len(rows) == len(everything) and (pose[rows] == everything).all()
            chosen = slice(None) if every else pose[rows]
            position[rows], jacobian = self._branch(self.chain.targets[index], chosen)
            if local is not None:
                local[rows] = jacobian
        if local is None:
            return Points(position, None, None, None)
        n_parameters, n_placement = len(self.chain.parameters), len(PLACEMENT)
        return Points(
            position,
            local[:, :, :n_parameters],
            local[:, :, n_parameters : n_parameters + n_placement],
            local[:, :, n_parameters + n_placement :],
        )

    def _branch(self, target, pose):
        """Position (m, 3) and local Jacobian (m, 3, n_local); `pose` is an index or a slice."""
        chain = self.chain
        columns = tuple(c[pose] for c in self.columns[target.frame])
        point = self.positions[target.frame][pose]
        amounts, coefficients = chain._branch_amounts(target, self.parameters)
        axes, origins = [], []
        for motion, amount in zip(target.motions, amounts, strict=True):
            axes.append(columns[motion.axis])
            origins.append(point)
            if motion.turns:
                columns = _turned(columns, motion.axis, amount)
            else:
                point = point + amount * columns[motion.axis]
        if self.rates is None:
            return point, None
        depth = chain.depth[target.frame]
        trunk = _velocities(
            self.axes[pose, :depth], self.origins[pose, :depth], point, chain.turns[:depth]
        )
        jacobian = trunk.transpose(0, 2, 1) @ self.rates[pose, :depth]
        if target.motions:
            turns = np.array([m.turns for m in target.motions])
            branch = _velocities(np.stack(axes, 1), np.stack(origins, 1), point, turns)
            jacobian[:, :, : coefficients.shape[1]] += branch.transpose(0, 2, 1) @ coefficients
        return point, jacobian


@dataclass(frozen=True)
class Chain:
    """Compiled motions. Make one with `Chain.compile`.

    The local variables of a shot, in this order, are the rig parameters, the placement of its
    stand and the readings of its pose.
    """

    motions: tuple[Motion, ...]
    parameters: tuple[str, ...]
    sensors: tuple[Sensor, ...]
    targets: tuple[Target, ...]
    turns: np.ndarray
    constant: np.ndarray
    coefficients: np.ndarray
    depth: dict[str, int]
    pose_columns: tuple[str, ...] = ()

    @classmethod
    def compile(cls, motions, parameters, sensors, targets, pose_columns=()) -> "Chain":
        """Turn names into arrays. Names must have been checked (see `calib.chain.rig`)."""
        names = (*parameters, *PLACEMENT)
        return cls(
            motions=tuple(motions),
            parameters=tuple(parameters),
            sensors=tuple(sensors),
            targets=tuple(targets),
            turns=np.array([m.turns for m in motions]),
            constant=np.array([m.constant for m in motions]),
            coefficients=_coefficients(motions, names),
            depth={m.frame: k + 1 for k, m in enumerate(motions) if m.frame},
            pose_columns=tuple(pose_columns),
        )

    def told_by(self, column: str) -> frozenset[str]:
        """Names of the parameters that are multiplied with a column of readings.csv."""
        varying = [v for m in self.motions for v in m.varying
                   if v.times == OF_POSE and v.of == column]
        return frozenset((*(name for v in varying for name in v.by),
                          *(name for s in self.sensors for name, times in s.varying.items()
                            if times == column)))

    def moving(self, name: str) -> frozenset[str]:
        """Names of the parameters that the place of a target, or a frame's origin, depends on."""
        branch = {t.name: (t.frame, t.motions) for t in self.targets}
        frame, own = branch.get(name, (name, ()))
        motions = (*self.motions[: self.depth[frame]], *own)
        joints = {m.joint for m in motions}
        parts = (*motions, *(s for s in self.sensors if s.reading in joints))
        return frozenset(self.parameters) & frozenset().union(*(part.names for part in parts))

    @cached_property
    def with_direct_joints(self) -> "Chain":
        """The same chain where each reading is the joint angle itself."""
        direct = tuple(Sensor(s.reading, "joint") for s in self.sensors)
        return replace(self, sensors=direct)

    def posture(self, parameters, placement, readings, jacobian: bool = True,
                noted=None) -> Posture:
        """Walk the trunk for all poses.

        Parameters
        ----------
        parameters : ndarray, shape (n_parameters,)
            m or rad.
        placement : ndarray, shape (n_poses, 4)
            East, north, up (m) of the house origin and heading (rad, clockwise from north) of the
            stand of each pose. Heading 90 deg at 0, 0, 0 gives points in the levelled house frame.
        readings : ndarray, shape (n_poses, n_readings)
            rad.
        jacobian : bool
            False leaves the derivatives out.
        noted : ndarray, shape (n_poses, n_pose_columns), optional
            What the columns of readings.csv say of each pose; 0, between the two, if not given.
        """
        parameters, readings = np.asarray(parameters, float), np.asarray(readings, float)
        placement = np.asarray(placement, float)
        n_poses, n_motions = len(readings), len(self.motions)
        n_own = len(self.parameters)
        amounts = self.constant + self.coefficients[:, :n_own] @ parameters
        amounts = amounts + placement @ self.coefficients[:, n_own:].T
        noted = self._noted(noted, n_poses)
        angles = self._calibrated.angles(parameters, readings, noted)

        columns, point = _site_axes(n_poses), np.zeros((n_poses, 3))
        axes, origins = np.empty((n_poses, n_motions, 3)), np.empty((n_poses, n_motions, 3))
        rates = self._fixed_rates(n_poses) if jacobian else None
        joints, gain = np.empty_like(readings), np.empty_like(readings)
        reached, positions, joint_rates = {}, {}, {}
        for k, motion in enumerate(self.motions):
            axes[:, k], origins[:, k] = columns[motion.axis], point
            amount = amounts[:, k]
            if motion.joint is not None:
                s = self._sensor_index[motion.joint]
                told = self._calibrated.told(
                    s, angles[:, s], tuple(c[:, 2] for c in columns), parameters, readings, noted,
                    jacobian and s in self._rated)
                joints[:, s], gain[:, s] = told.joint, told.sight
                amount = amount + motion.sense * joints[:, s]
                if told.rate is not None:
                    rate = joint_rates[s] = told.rate
                    if told.by_up is not None:
                        rate += self._up_rates(axes, columns, told.by_up, rates, k)
                    if s not in self._steady:
                        rates[:, k] += motion.sense * rate
            for varying, row in zip(motion.varying, self._varying_rows[k], strict=True):
                value, rate = self._basis(varying, joints, reached, noted, joint_rates, axes,
                                          rates)
                size = row[:n_own] @ parameters
                amount = amount + size * value
                if jacobian:
                    rates[:, k] += value[:, None] * row + size * rate
            if motion.turns:
                columns = _turned(columns, motion.axis, amount[:, None])
            else:
                point = point + amount[:, None] * columns[motion.axis]
            if motion.frame:
                reached[motion.frame], positions[motion.frame] = columns, point
        return Posture(self, parameters, joints, gain, axes, origins, rates, reached, positions)

    def readings_for(self, parameters, joints, noted=None) -> np.ndarray:
        """The readings that sensors give at known joint angles; inverse of `posture`.

        Parameters
        ----------
        parameters : ndarray, shape (n_parameters,)
        joints : ndarray, shape (n_poses, n_readings), rad
        noted : ndarray, shape (n_poses, n_pose_columns), optional
            As in `posture`.

        Returns
        -------
        ndarray, shape (n_poses, n_readings), rad
        """
        parameters, joints = np.asarray(parameters, float), np.asarray(joints, float)
        amounts = self.constant + self.coefficients[:, : len(self.parameters)] @ parameters
        columns, reached = _site_axes(len(joints)), {}
        noted = self._noted(noted, len(joints))
        readings = np.empty_like(joints)
        for k, motion in enumerate(self.motions):
            amount = np.full(len(joints), amounts[k])
            if motion.joint is not None:
                s = self._sensor_index[motion.joint]
                up = tuple(c[:, 2] for c in columns)
                readings[:, s] = self._calibrated.reading_of(
                    s, joints[:, s], up, parameters, noted)
                amount = amount + motion.sense * joints[:, s]
            for varying, row in zip(motion.varying, self._varying_rows[k], strict=True):
                amount = amount + row[: len(parameters)] @ parameters * self._basis(
                    varying, joints, reached, noted)[0]
            if motion.turns:
                columns = _turned(columns, motion.axis, amount[:, None])
            if motion.frame:
                reached[motion.frame] = columns
        return readings

    def _noted(self, noted, n_poses):
        if noted is None:
            return np.zeros((n_poses, len(self.pose_columns)))
        return np.asarray(noted, float).reshape(n_poses, len(self.pose_columns))

    def _basis(self, varying, joints, reached, noted, joint_rates=None, axes=None, rates=None):
        """What a varying part is multiplied with, shape (n_poses,), and its derivative.

        The derivative, shape (n_poses, n_local), only with the rates of joints and motions.
        """
        if varying.times == OF_POSE:
            value = noted[:, self.pose_columns.index(varying.of)]
            return value, None if rates is None else np.zeros((1, rates.shape[2]))
        if varying.times in OF_JOINT:
            s = self._sensor_index[varying.of]
            value, slope = of_joint(varying.times, joints[:, s])
            return value, None if rates is None else slope[:, None] * joint_rates[s]
        columns = reached[varying.of]
        value, slope = of_inclination(varying.times, columns[0][:, 2])
        if rates is None:
            return value, None
        return value, self._up_rates(axes, columns, (slope, None, None), rates,
                                     self.depth[varying.of])

    @cached_property
    def _sensor_index(self):
        return {sensor.reading: i for i, sensor in enumerate(self.sensors)}

    def _fixed_rates(self, n_poses):
        """The part of the amounts' derivatives that is the same in every pose, n_poses times.

        Shape (n_poses, n_motions, n_local).
        """
        return np.repeat(self._fixed[None], n_poses, axis=0)

    @cached_property
    def _calibrated(self):
        return Calibrated(self.sensors, self.parameters, self.pose_columns)

    @cached_property
    def _rated(self):
        """Sensors whose joint angle's derivatives are asked for pose by pose."""
        varying = {v.of for m in self.motions for v in m.varying if v.times in OF_JOINT}
        return frozenset(s for s, sensor in enumerate(self.sensors)
                         if s not in self._steady or sensor.reading in varying)

    @cached_property
    def _steady(self):
        """Sensors whose joint angle has the same derivatives in every pose."""
        return frozenset(s for s, sensor in enumerate(self.sensors) if sensor.steady)

    @cached_property
    def _varying_rows(self):
        """Per motion the coefficients of its varying parts by the locals, (n_varying, n_local)."""
        spare = len(PLACEMENT) + len(self.sensors)
        return [np.pad(_coefficients(m.varying, self.parameters), ((0, 0), (0, spare)))
                for m in self.motions]

    @cached_property
    def _fixed(self):
        """Parameters and placements, and the sensors that are the same in every pose."""
        fixed = np.hstack([self.coefficients, np.zeros((len(self.motions), len(self.sensors)))])
        for k, motion in enumerate(self.motions):
            if motion.joint is not None:
                s = self._sensor_index[motion.joint]
                if s in self._steady:
                    fixed[k] += motion.sense * self._calibrated.plain_rates[s]
        return fixed

    def _up_rates(self, axes, columns, by_up, rates, k):
        """Derivative of a joint angle through the up vector, shape (n_poses, n_local).

        A rotation about the site axis a turns the up vector, seen from the frame, at the rate
        R' (up x a).
        """
        direction = sum(d[:, None] * c[:, :2] for d, c in zip(by_up, columns, strict=True)
                        if d is not None)
        weight = axes[:, :k, 0] * direction[:, 1:] - axes[:, :k, 1] * direction[:, :1]
        weight *= self.turns[:k]
        return (weight[:, None, :] @ rates[:, :k])[:, 0]

    def _branch_amounts(self, target, parameters):
        coefficients = self._branch_coefficients[target.name]
        constant = np.array([m.constant for m in target.motions])
        return constant + coefficients @ parameters, coefficients

    @cached_property
    def _branch_coefficients(self):
        return {t.name: _coefficients(t.motions, self.parameters) for t in self.targets}


def _coefficients(motions, names):
    column = {name: i for i, name in enumerate(names)}
    matrix = np.zeros((len(motions), len(names)))
    for row, motion in enumerate(motions):
        for name, coefficient in motion.by.items():
            matrix[row, column[name]] = coefficient
    return matrix


def _site_axes(n):
    """The axes of the site frame, n times: three arrays of shape (n, 3)."""
    return tuple(np.broadcast_to(row, (n, 3)) for row in np.eye(3))


def _turned(columns, axis, angle):
    """The axes of a frame turned about one of them; angle a number or shape (n, 1)."""
    first, second = (axis + 1) % 3, (axis + 2) % 3
    cosine, sine = np.cos(angle), np.sin(angle)
    turned = list(columns)
    turned[first] = cosine * columns[first] + sine * columns[second]
    turned[second] = cosine * columns[second] - sine * columns[first]
    return tuple(turned)


def _velocities(axes, origins, point, turns):
    """Derivative of the point by each motion's amount: shape (m, k, 3)."""
    arm = point[:, None, :] - origins
    swept = np.empty_like(arm)
    swept[..., 0] = axes[..., 1] * arm[..., 2] - axes[..., 2] * arm[..., 1]
    swept[..., 1] = axes[..., 2] * arm[..., 0] - axes[..., 0] * arm[..., 2]
    swept[..., 2] = axes[..., 0] * arm[..., 1] - axes[..., 1] * arm[..., 0]
    return np.where(turns[None, :, None], swept, axes)
