"""Poses that a chain is walked through for, and targets placed in them, with derivatives."""

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from calib.chain.motion import PLACEMENT
from calib.chain.sensors import BLIND_GAIN

if TYPE_CHECKING:
    from calib.chain.chain import Chain

#: The axes x, y, z of a frame in every pose, each of shape (n_poses, 3).
Axes = tuple[np.ndarray, np.ndarray, np.ndarray]


@dataclass(frozen=True)
class Points:
    """Positions of targets and their derivatives."""

    position: np.ndarray  #: Shape (n, 3). East, north, up in the site frame, m.
    #: by_parameters, by_placement, by_readings: Shapes (n, 3, n_parameters), (n, 3, 4), (n, 3,
    #: n_readings), m per m or m per rad; the placement is that of the shot's own stand
    #: (`calib.chain.motion.PLACEMENT`). Without columns where the posture was made without
    #: derivatives.
    by_parameters: np.ndarray
    by_placement: np.ndarray
    by_readings: np.ndarray


class Sweep(NamedTuple):
    """How the motions of a chain move points; those that turn come before those that slide."""

    #: turning, sliding: int. Which motions do, in this order.
    turning: np.ndarray
    sliding: np.ndarray
    #: Shape (n_motions, n_local). Derivatives of their amounts that are the same in every pose.
    still: np.ndarray
    moving: np.ndarray  #: Int. Where the motions are whose derivatives are not.
    reached: np.ndarray  #: Bool, shape (n_targets, n_motions). Which motions move a target.


@dataclass
class Posture:
    """All poses at once walked through the trunk of a chain: what targets need to be placed."""

    chain: "Chain"
    parameters: np.ndarray
    #: Int, shape (n_poses,). Which of several machines each pose is of; the parameters are then
    #: (n_machines, p).
    machine: np.ndarray | None
    joints: np.ndarray  #: Shape (n_poses, n_readings). Joint angles, rad.
    #: Shape (n_poses, n_readings). Change of the joint angle over change of the reading; large
    #: where a sensor is nearly blind.
    gain: np.ndarray
    #: axes, origins: shape (n_poses, n_motions, 3). Of each motion: what it moves along or turns
    #: about, and where.
    axes: np.ndarray
    origins: np.ndarray
    #: Shape (n_poses, n_moving, n_local). Derivatives by the locals of those amounts that have not
    #: the same ones in every pose.
    moving: np.ndarray | None
    #: here, point: Axes of the frame that the walk has come to, and its origin (n_poses, 3).
    here: Axes
    point: np.ndarray
    #: columns, positions: Axes and origin of each named frame.
    columns: dict[str, Axes] = field(default_factory=dict)
    positions: dict[str, np.ndarray] = field(default_factory=dict)
    #: Shape (n_poses, n_local). Of the joints that more than their own motion depends on.
    joint_rates: dict[int, np.ndarray] = field(default_factory=dict)

    @classmethod
    def begin(cls, chain: "Chain", parameters: np.ndarray, joints: np.ndarray,
              machine: np.ndarray | None = None, moving: np.ndarray | None = None) -> "Posture":
        """At the site, before the first motion; `joints` are those known beforehand."""
        n = len(joints)
        axes, origins = np.empty((2, 3, n, len(chain.motions))).transpose(0, 2, 3, 1)
        site = tuple(np.repeat(np.eye(3)[:, None], n, axis=1))
        return cls(chain, parameters, machine, joints, np.empty_like(joints), axes, origins, moving,
                   site, np.zeros((n, 3)))

    def go(self, k: int, amount: np.ndarray) -> None:
        """Carry out motion `k` by its amount in each pose, shape (n_poses,), m or rad."""
        motion = self.chain.motions[k]
        along = self.here[motion.axis]
        self.axes[:, k], self.origins[:, k] = along, self.point
        if motion.turns:
            first, second = (motion.axis + 1) % 3, (motion.axis + 2) % 3
            cosine, sine = np.cos(amount)[:, None], np.sin(amount)[:, None]
            one, other, new = self.here[first], self.here[second], list(self.here)
            new[first], new[second] = cosine * one + sine * other, cosine * other - sine * one
            self.here = new[0], new[1], new[2]
        else:
            self.point = self.point + amount[:, None] * along
        if motion.frame:
            self.columns[motion.frame], self.positions[motion.frame] = self.here, self.point

    @property
    def up(self) -> Axes:
        """The up vector by its components in the frame come to, each of shape (n_poses,)."""
        x, y, z = self.here
        return x[:, 2], y[:, 2], z[:, 2]

    @property
    def blind(self) -> np.ndarray:
        """Mask (n_poses, n_readings) of readings that say too little about their joint."""
        sighted: np.ndarray = np.abs(self.gain) <= BLIND_GAIN
        return ~sighted

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
        offset, by_parameters = self.chain.branches(self.parameters)
        branch = target if self.machine is None else (target, self.machine[pose])
        axes, origins, number = self._frames
        frame = number[target]
        axes = axes[pose, frame]
        position = origins[pose, frame] + (offset[branch][:, None] @ axes)[:, 0]
        if self.moving is None:
            nothing = np.empty((len(target), 3, 0))
            return Points(position, nothing, nothing, nothing)
        swept = self._swept(target, pose, position)
        sweep, n = self.chain.sweep, len(self.chain.parameters)
        local = swept.reshape(-1, swept.shape[2]) @ sweep.still
        local = local.reshape(*swept.shape[:2], local.shape[1])
        local += swept[:, :, sweep.moving] @ self.moving[pose]
        local[:, :, :n] += axes.transpose(0, 2, 1) @ by_parameters[branch]
        n_placement = len(PLACEMENT)
        return Points(position, local[:, :, :n], local[:, :, n : n + n_placement],
                      local[:, :, n + n_placement :])

    @cached_property
    def _frames(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Axes (n_poses, n_frames, 3, 3) and origins of targets' frames, and that of each target.
        """
        names = dict.fromkeys(target.frame for target in self.chain.targets)
        axes = np.stack([axis for name in names for axis in self.columns[name]], axis=1)
        origins = np.stack([self.positions[name] for name in names], axis=1)
        number = {name: i for i, name in enumerate(names)}
        return (axes.reshape(len(axes), len(names), 3, 3), origins,
                np.array([number[target.frame] for target in self.chain.targets]))

    def _swept(self, target: np.ndarray, pose: np.ndarray, position: np.ndarray) -> np.ndarray:
        """Derivative of points by each motion's amount, in the order of `Sweep`: (m, 3, k)."""
        sweep, t = self.chain.sweep, len(self.chain.sweep.turning)
        axes, origins = self.axes.transpose(2, 0, 1), self.origins.transpose(2, 0, 1)
        x = axes[:, :, sweep.turning][:, pose]
        arm = position.T[:, :, None] - origins[:, :, sweep.turning][:, pose]
        swept = np.empty((len(target), 3, t + len(sweep.sliding)))
        for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
            swept[:, i, :t] = x[j] * arm[k] - x[k] * arm[j]
        swept[:, :, t:] = axes[:, :, sweep.sliding][:, pose].transpose(1, 0, 2)
        if not sweep.reached[target].all():
            swept = np.where(sweep.reached[target][:, None], swept, 0.0)
        return swept
