"""Targets placed in poses that a chain has been walked through for, with derivatives."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calib.chain.motion import PLACEMENT
from calib.chain.sensors import BLIND_GAIN
from calib.chain.walk import Axes, turned, velocities

if TYPE_CHECKING:
    from calib.chain.chain import Chain


@dataclass(frozen=True)
class Points:
    """Positions of targets and their derivatives.

    Attributes
    ----------
    position : ndarray, shape (n, 3)
        East, north, up in the site frame, m.
    by_parameters, by_placement, by_readings : ndarray
        Shapes (n, 3, n_parameters), (n, 3, 4), (n, 3, n_readings), m per m or m per rad; the
        placement is that of the shot's own stand (`calib.chain.motion.PLACEMENT`). Without
        columns where the posture was made without derivatives.
    """

    position: np.ndarray
    by_parameters: np.ndarray
    by_placement: np.ndarray
    by_readings: np.ndarray


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
    columns: dict[str, Axes]
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
        local = np.empty((len(target), 3, 0 if self.rates is None else self.rates.shape[2]))
        for index in np.unique(target):
            rows = np.flatnonzero(target == index)
            # A target shot once in every pose, the usual case, needs no copy of the trunk.
            every = len(rows) == len(everything) and (pose[rows] == everything).all()
            chosen = slice(None) if every else pose[rows]
            position[rows], jacobian = self._branch(self.chain.targets[index], chosen)
            if jacobian is not None:
                local[rows] = jacobian
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
        amounts, coefficients = chain.branch_amounts(target, self.parameters)
        axes, origins = [], []
        for motion, amount in zip(target.motions, amounts, strict=True):
            axes.append(columns[motion.axis])
            origins.append(point)
            if motion.turns:
                columns = turned(columns, motion.axis, amount)
            else:
                point = point + amount * columns[motion.axis]
        if self.rates is None:
            return point, None
        depth = chain.depth[target.frame]
        trunk = velocities(
            self.axes[pose, :depth], self.origins[pose, :depth], point, chain.turns[:depth]
        )
        jacobian = trunk.transpose(0, 2, 1) @ self.rates[pose, :depth]
        if target.motions:
            turns = np.array([m.turns for m in target.motions])
            branch = velocities(np.stack(axes, 1), np.stack(origins, 1), point, turns)
            jacobian[:, :, : coefficients.shape[1]] += branch.transpose(0, 2, 1) @ coefficients
        return point, jacobian
