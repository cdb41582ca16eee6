"""Targets placed in poses that a chain has been walked through for, with derivatives."""

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from calib.chain.motion import PLACEMENT
from calib.chain.sensors import BLIND_GAIN
from calib.chain.walk import Axes

if TYPE_CHECKING:
    from calib.chain.chain import Chain


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


@dataclass(frozen=True)
class Posture:
    """All poses walked through the trunk: what targets need to be placed."""

    chain: "Chain"
    parameters: np.ndarray
    #: Int, shape (n_poses,). Which of several machines each pose is of; the parameters are then
    #: (n_machines, p).
    machine: np.ndarray | None
    joints: np.ndarray  #: Shape (n_poses, n_readings). Joint angles, rad.
    #: Shape (n_poses, n_readings). Change of the joint angle over change of the reading; large
    #: where a sensor is nearly blind.
    gain: np.ndarray
    axes: np.ndarray
    origins: np.ndarray
    moving: np.ndarray | None
    columns: dict[str, Axes]
    positions: dict[str, np.ndarray]

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
