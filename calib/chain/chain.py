"""The chain: elementary motions from the site to a target, with closed-form Jacobians.

Vectorised over poses and shots: the trunk (site to the last joint) is walked once for all poses;
a target's own short branch is the same in every pose. Derivatives of amounts that are the same in
every pose are kept once. The derivative of a point with respect to a
motion's amount is the motion's axis (translation), or the axis crossed with the arm from the
motion's origin to the point (rotation); amounts depend on parameters, placements and readings
through the sensors, so the chain rule needs one more small product. Elementary transform
sequence: P. Corke, "A simple and systematic approach to assigning Denavit-Hartenberg parameters",
IEEE Trans. Robotics 23 (2007) 590-594, doi:10.1109/TRO.2007.896765 (from memory).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np

from calib.chain.basis import OF_DISTANCE, OF_JOINT, OF_POSE, of_inclination, of_joint
from calib.chain.calibrated import Calibrated, Sensor
from calib.chain.motion import PLACEMENT, Motion, Varying
from calib.chain.posture import Axes, Posture, Sweep

#: The ways to shoot a target: with a pole on it, without a reflector, with a prism stuck to it.
SHOT_BY = ("pole", "reflectorless", "prism")

# Steps in which readings and what bends under a load settle, and where they have, rad.
_MOST_STEPS, _SETTLED = 60, 1e-15


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


#: Per pair of frames a distance, shape (n_poses,), and its derivative.
Arms = Mapping[tuple[str, str | None], tuple[np.ndarray, Any]]


class _At(NamedTuple):
    """What the amounts of a walk depend on, in every pose."""

    #: Of the one machine, or of that of each pose.
    parameters: np.ndarray
    readings: np.ndarray
    noted: np.ndarray
    #: Calibrated, as `calib.chain.calibrated.Calibrated.angles` gives them.
    angles: np.ndarray
    arms: Arms


@dataclass(frozen=True)
class Chain:
    """Motions with everything that names stand for; these were checked (`calib.chain.sound`).

    The local variables of a shot, in this order, are the rig parameters, the placement of its
    stand and the readings of its pose.
    """

    motions: tuple[Motion, ...]
    parameters: tuple[str, ...]
    sensors: tuple[Sensor, ...]
    targets: tuple[Target, ...]
    pose_columns: tuple[str, ...] = ()

    @cached_property
    def turns(self) -> np.ndarray:
        """Mask of the motions that turn, shape (n_motions,)."""
        return np.array([m.turns for m in self.motions])

    @cached_property
    def depth(self) -> dict[str, int]:
        """How many motions lead to each named frame."""
        return {m.frame: k + 1 for k, m in enumerate(self.motions) if m.frame}

    @cached_property
    def _amounts(self) -> tuple[np.ndarray, np.ndarray]:
        """Constants of the motions' amounts, and their coefficients of parameters and placement."""
        return (np.array([m.constant for m in self.motions]),
                _coefficients(self.motions, (*self.parameters, *PLACEMENT)))

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
        names = {*(n for m in motions for n in m.names),
                 *(n for s in self.sensors if s.name in joints for n in s.names)}
        return frozenset(self.parameters) & names

    @cached_property
    def with_direct_joints(self) -> "Chain":
        """The same chain where each reading is the joint angle itself."""
        direct = tuple(Sensor(s.name, "joint") for s in self.sensors)
        return replace(self, sensors=direct)

    @cached_property
    def with_frames(self) -> tuple["Chain", dict[str, int]]:
        """That chain with a target at the origin of every frame too, and where each target is."""
        direct = self.with_direct_joints
        origins = tuple(Target(name, name, (), "origin of a frame") for name in direct.depth)
        chain = replace(direct, targets=(*direct.targets, *origins))
        # A target of the same name as a frame wins.
        return chain, {t.name: i for i, t in reversed(list(enumerate(chain.targets)))}

    def posture(self, parameters: np.ndarray, placement: np.ndarray, readings: np.ndarray,
                jacobian: bool = True, noted: np.ndarray | None = None) -> Posture:
        """Walk the trunk for all poses.

        Parameters
        ----------
        parameters : ndarray, shape (n_parameters,) or (n_machines, n_parameters)
            m or rad; of several machines each has as many of the poses, one after the other.
        placement : ndarray, shape (n_poses, 4) or (4,)
            East, north, up (m) of the house origin and heading (rad, clockwise from north) of the
            stand of each pose; `calib.chain.motion.HOUSE_PLACEMENT` gives points in the levelled
            house frame.
        readings : ndarray, shape (n_poses, n_readings)
            rad, or m of a stroke.
        jacobian : bool
            False leaves the derivatives out.
        noted : ndarray, shape (n_poses, n_pose_columns), optional
            What the columns of readings.csv say of each pose; 0, between the two, if not given.
        """
        parameters, readings = np.asarray(parameters, float), np.asarray(readings, float)
        placement = np.broadcast_to(placement, (len(readings), len(PLACEMENT)))
        noted = self._as_noted(noted, len(readings))
        n_own, machine = len(self.parameters), None
        own = parameters
        if parameters.ndim > 1:
            machine = np.repeat(np.arange(len(parameters)), len(readings) // len(parameters))
            own = parameters[machine]
        constant, coefficients = self._amounts
        amounts = constant + own @ coefficients[:, :n_own].T
        amounts = amounts + placement @ coefficients[:, n_own:].T
        at = _At(own, readings, noted, self._calibrated.angles(own, readings, noted),
                 self._arms(own, placement, readings, noted, jacobian))
        walk = Posture.begin(self, parameters, np.empty_like(readings), machine,
                             np.repeat(self._fixed[None, self._moving], len(readings), axis=0)
                             if jacobian else None)
        for k, motion in enumerate(self.motions):
            amount = amounts[:, k]
            if motion.joint is not None:
                amount = amount + motion.sense * self._joint(
                    walk, at, k, self._sensor_index[motion.joint])
            walk.go(k, amount + self._varied(walk, at, k) if motion.varying else amount)
        return walk

    def readings_for(self, parameters: np.ndarray, joints: np.ndarray,
                     noted: np.ndarray | None = None) -> np.ndarray:
        """The readings that sensors give at known joint angles; inverse of `posture`.

        Parameters
        ----------
        parameters : ndarray, shape (n_parameters,)
        joints : ndarray, shape (n_poses, n_readings), rad
        noted : ndarray, shape (n_poses, n_pose_columns), optional
            As in `posture`.

        Returns
        -------
        ndarray, shape (n_poses, n_readings), rad, or m of a stroke
        """
        parameters, joints = np.asarray(parameters, float), np.asarray(joints, float)
        noted = self._as_noted(noted, len(joints))
        readings = self._readings_with({}, parameters, joints, noted)
        if not self._distances:
            return readings
        # What bends under a load is told by the readings of the bent machine: they settle at once.
        level = np.zeros((len(joints), len(PLACEMENT)))
        for _ in range(_MOST_STEPS):
            before = readings
            arms = self._arms(parameters, level, readings, noted, False)
            readings = self._readings_with(arms, parameters, joints, noted)
            if np.abs(readings - before).max(initial=0.0) < _SETTLED:
                break
        return readings

    def _readings_with(self, arms: Arms, parameters: np.ndarray, joints: np.ndarray,
                       noted: np.ndarray) -> np.ndarray:
        """Readings at joint angles; distances that are not in `arms` count as 0."""
        constant, coefficients = self._amounts
        amounts = constant + coefficients[:, : len(self.parameters)] @ parameters
        at = _At(parameters, np.empty_like(joints), noted, joints, arms)
        walk = Posture.begin(self, parameters, joints)
        for k, motion in enumerate(self.motions):
            amount = np.full(len(joints), amounts[k])
            if motion.joint is not None:
                s = self._sensor_index[motion.joint]
                at.readings[:, s] = self._calibrated.reading_of(
                    s, joints, walk.up, parameters, noted)
                amount = amount + motion.sense * joints[:, s]
            walk.go(k, amount + self._varied(walk, at, k))
        return at.readings

    def _as_noted(self, noted: np.ndarray | None, n_poses: int) -> np.ndarray:
        if noted is None:
            return np.zeros((n_poses, len(self.pose_columns)))
        return np.asarray(noted, float).reshape(n_poses, len(self.pose_columns))

    def _joint(self, walk: Posture, at: _At, k: int, s: int) -> np.ndarray:
        """The angle of the joint of motion `k`, sensor `s`, with its derivatives."""
        told = self._calibrated.told(s, at.angles, walk.up, at.parameters, at.readings, at.noted,
                                     walk.moving is not None and s in self._rated)
        walk.joints[:, s], walk.gain[:, s] = told.joint, told.sight
        if told.rate is not None:
            rate = walk.joint_rates[s] = told.rate
            if told.by_up is not None:
                rate += self._up_rates(walk, walk.here, told.by_up, k)
            if walk.moving is not None and s not in self._steady:
                walk.moving[:, self._place[k]] += self.motions[k].sense * rate
        return told.joint

    def _varied(self, walk: Posture, at: _At, k: int) -> np.ndarray:
        """What varies with the pose in the amount of motion `k`, with its derivatives."""
        amount, n_own = np.zeros(len(at.noted)), len(self.parameters)
        for varying, row in zip(self.motions[k].varying, self._varying_rows[k], strict=True):
            value, rate = self._basis(varying, walk, at)
            size = at.parameters @ row[:n_own]
            amount = amount + size * value
            if walk.moving is not None:
                walk.moving[:, self._place[k]] += value[:, None] * row + size[..., None] * rate
        return amount

    def _basis(self, varying: Varying, walk: Posture, at: _At) -> tuple[np.ndarray, Any]:
        """What a varying part is multiplied with, shape (n_poses,), and its derivative.

        The derivative, of a shape like (n_poses, n_local), only on a walk with rates.
        """
        if varying.times == OF_POSE:
            return at.noted[:, self.pose_columns.index(varying.of)], 0.0
        if varying.times == OF_DISTANCE:
            return at.arms.get((varying.of, varying.to), (np.zeros(len(at.noted)), 0.0))
        if varying.times in OF_JOINT:
            s = self._sensor_index[varying.of]
            value, slope = of_joint(varying.times, walk.joints[:, s])
            return value, None if walk.moving is None else slope[:, None] * walk.joint_rates[s]
        columns = walk.columns[varying.of]
        value, slope = of_inclination(varying.times, columns[0][:, 2])
        if walk.moving is None:
            return value, None
        return value, self._up_rates(walk, columns, (slope, None, None), self.depth[varying.of])

    def _arms(self, parameters: np.ndarray, placement: np.ndarray, readings: np.ndarray,
              noted: np.ndarray, jacobian: bool) -> Arms:
        """Horizontal distances between frames of the machine that nothing bends, m.

        How far `to` is ahead of `of`, square to the y axis of `of`: the moment about that axis of
        a unit weight at `to`. Per pair the value, shape (n_poses,), and its derivative.
        """
        if not self._distances:
            return {}
        stiff, place = self._stiff
        posture = stiff.posture(parameters, placement, readings, jacobian, noted)
        n, every = len(readings), np.arange(len(readings))
        arms: dict[tuple[str, str | None], tuple[np.ndarray, Any]] = {}
        for of, to in self._distances:
            which = np.repeat([place[of], place[of] + 1, place[to]], n)
            points = posture.points(which, np.tile(every, 3))
            origin, left, there = points.position.reshape(3, n, 3)
            y, arm = left - origin, there - origin
            value = arm[:, 0] * y[:, 1] - arm[:, 1] * y[:, 0]
            rate: Any = 0.0
            if jacobian:
                by = np.concatenate(
                    [points.by_parameters, points.by_placement, points.by_readings], axis=2)
                by_origin, by_left, by_there = by.reshape(3, n, 3, -1)
                y_rate, arm_rate = by_left - by_origin, by_there - by_origin
                rate = (arm_rate[:, 0] * y[:, 1, None] + arm[:, 0, None] * y_rate[:, 1]
                        - arm_rate[:, 1] * y[:, 0, None] - arm[:, 1, None] * y_rate[:, 0])
            arms[of, to] = value, rate
        return arms

    @cached_property
    def _distances(self) -> tuple[tuple[str, str], ...]:
        return tuple(dict.fromkeys((v.of, v.to) for m in self.motions for v in m.varying
                                   if v.times == OF_DISTANCE and v.to))

    @cached_property
    def _stiff(self) -> tuple["Chain", dict[str, int]]:
        """The chain without what varies with distances; origins and points a metre left as targets.

        The second of the pair says which target is the origin of a frame; that left of it follows.
        """
        motions = tuple(replace(m, varying=tuple(v for v in m.varying if v.times != OF_DISTANCE))
                        for m in self.motions)
        targets: list[Target] = []
        place = {}
        for frame in dict.fromkeys(name for pair in self._distances for name in pair):
            place[frame] = len(targets)
            targets += [Target(f"{frame} origin", frame, (), "its origin"),
                        Target(f"{frame} left", frame, (Motion(False, 1, 1.0),), "a metre left")]
        return replace(self, motions=motions, targets=tuple(targets)), place

    @cached_property
    def _sensor_index(self) -> dict[str, int]:
        return {sensor.name: i for i, sensor in enumerate(self.sensors)}

    @cached_property
    def _calibrated(self) -> Calibrated:
        return Calibrated(self.sensors, self.parameters, self.pose_columns)

    @cached_property
    def _rated(self) -> frozenset[int]:
        """Sensors whose joint angle's derivatives are asked for pose by pose."""
        varying = {v.of for m in self.motions for v in m.varying if v.times in OF_JOINT}
        return frozenset(s for s, sensor in enumerate(self.sensors)
                         if s not in self._steady or sensor.name in varying)

    @cached_property
    def _steady(self) -> frozenset[int]:
        """Sensors whose joint angle has the same derivatives in every pose."""
        return frozenset(s for s, sensor in enumerate(self.sensors) if sensor.steady)

    @cached_property
    def _varying_rows(self) -> list[np.ndarray]:
        """Per motion the coefficients of its varying parts by the locals, (n_varying, n_local)."""
        spare = len(PLACEMENT) + len(self.sensors)
        return [np.pad(_coefficients(m.varying, self.parameters), ((0, 0), (0, spare)))
                for m in self.motions]

    @cached_property
    def _fixed(self) -> np.ndarray:
        """Derivatives of the amounts that are the same in every pose, shape (n_motions, n_local).

        By parameters and placements, and through the sensors that are the same in every pose.
        """
        fixed = np.hstack([self._amounts[1], np.zeros((len(self.motions), len(self.sensors)))])
        for k, motion in enumerate(self.motions):
            if motion.joint is not None:
                s = self._sensor_index[motion.joint]
                if s in self._steady:
                    fixed[k] += motion.sense * self._calibrated.plain_rates[s]
        return fixed

    @cached_property
    def _moving(self) -> list[int]:
        """Motions with further derivatives, that are not the same in every pose."""
        return [k for k, m in enumerate(self.motions) if m.varying or (
            m.joint is not None and self._sensor_index[m.joint] not in self._steady)]

    @cached_property
    def _place(self) -> dict[int, int]:
        """Of each motion among those that are moving."""
        return {k: i for i, k in enumerate(self._moving)}

    @cached_property
    def _still(self) -> np.ndarray:
        """The derivatives of all amounts but those that are moving, shape (n_motions, n_local)."""
        still = self._fixed.copy()
        still[self._moving] = 0.0
        return still

    def _up_rates(self, walk: Posture, columns: Axes, by_up: tuple[np.ndarray | None, ...], k: int
                  ) -> np.ndarray:
        """Derivative of a joint angle through the up vector, shape (n_poses, n_local).

        A rotation about the site axis a turns the up vector, seen from the frame, at the rate
        R' (up x a).
        """
        direction = sum((d[:, None] * c[:, :2] for d, c in zip(by_up, columns, strict=True)
                         if d is not None), np.zeros(()))
        axes = walk.axes[:, :k]
        weight = axes[:, :, 0] * direction[:, 1:] - axes[:, :, 1] * direction[:, :1]
        weight *= self.turns[:k]
        rates: np.ndarray = weight @ self._still[:k]
        before = [m for m in self._moving if m < k]
        if before and walk.moving is not None:
            rates += (weight[:, None, before] @ walk.moving[:, : len(before)])[:, 0]
        return rates

    @cached_property
    def sweep(self) -> Sweep:
        """What the derivatives of points need of the motions, those that turn first."""
        turning, sliding = np.flatnonzero(self.turns), np.flatnonzero(~self.turns)
        order = np.concatenate([turning, sliding])
        depth = np.array([self.depth[t.frame] for t in self.targets])
        place = np.argsort(order)[self._moving]
        return Sweep(turning, sliding, self._still[order], place, order < depth[:, None])

    def branches(self, parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Where targets are in their frames, (n_targets, 3), and the derivative by parameters.

        The derivative has shape (n_targets, 3, n_parameters). Of several machines, as in
        `posture`, both have their number behind that of the targets.
        """
        found = [_branch(target.motions, constant + parameters @ coefficients.T)
                 for target, (constant, coefficients) in zip(
                     self.targets, self._branch_amounts, strict=True)]
        return np.array([point for point, _ in found]), np.array([
            rates @ coefficients
            for (_, rates), (_, coefficients) in zip(found, self._branch_amounts, strict=True)])

    @cached_property
    def _branch_amounts(self) -> list[tuple[np.ndarray, np.ndarray]]:
        """Per target the constants of its motions' amounts and their coefficients."""
        return [(np.array([m.constant for m in t.motions]),
                 _coefficients(t.motions, self.parameters)) for t in self.targets]


def _branch(motions: Sequence[Motion], amounts: np.ndarray
            ) -> tuple[np.ndarray, np.ndarray]:
    """Where a branch ends in its frame, (..., 3), and the derivative by its amounts.

    The derivative has shape (..., 3, n_motions). Walked from the end to the frame.
    """
    ends = np.zeros((*amounts.shape[:-1], 3, 1 + len(motions)))  # the point, then its derivatives
    for k, motion in reversed(list(enumerate(motions))):
        axis, first, second = motion.axis, (motion.axis + 1) % 3, (motion.axis + 2) % 3
        if motion.turns:
            one, other, angle = ends[..., first, :], ends[..., second, :], amounts[..., k, None]
            ends[..., first, :], ends[..., second, :] = (
                np.cos(angle) * one - np.sin(angle) * other,
                np.sin(angle) * one + np.cos(angle) * other)
            ends[..., first, 1 + k] = -ends[..., second, 0]
            ends[..., second, 1 + k] = ends[..., first, 0]
        else:
            ends[..., axis, 0] += amounts[..., k]
            ends[..., axis, 1 + k] = 1.0
    return ends[..., 0], ends[..., 1:]


def _coefficients(motions: Sequence[Motion | Varying], names: Sequence[str]) -> np.ndarray:
    column = {name: i for i, name in enumerate(names)}
    matrix = np.zeros((len(motions), len(names)))
    for row, motion in enumerate(motions):
        for name, coefficient in motion.by.items():
            matrix[row, column[name]] = coefficient
    return matrix
