"""Problems of the same shape side by side: one walk along the chain for all of them.

A few dozen poses take the chain as long as one does. Where many machines are tried on the poses of
one run (`calib.adjust.quick.looks`), they are walked through together.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.adjust.observations import Prediction
from calib.calibration import HOUSE_PLACEMENT, Problem
from calib.layout import RIG, STAND, placed
from calib.placements import level_placements


@dataclass(frozen=True)
class SideBySide:
    """Problems with the same poses, stands and unknowns; what was shot and read may differ."""

    problems: Sequence[Problem]

    def starts(self, which: np.ndarray, parameters: np.ndarray) -> np.ndarray:
        """All unknowns of some problems, the stands where these parameters put them.

        Parameters
        ----------
        which : ndarray of int, shape (c,)
        parameters : ndarray, shape (c, n_parameters)

        Returns
        -------
        ndarray, shape (c, n_unknowns)
        """
        one, c = self.problems[0], len(which)
        layout, n_stands = one.layout, len(one.stands)
        poses = len(one.stand_of_pose)
        target, pose, position = (a[which].reshape(-1, *a.shape[2:]) for a in self._shots)
        lane = np.repeat(np.arange(c), len(target) // c)
        readings = self._readings[which].reshape(c * poses, -1)
        house = one.run.rig.chain.posture(
            parameters, HOUSE_PLACEMENT, readings, False, self._noted(c)
        ).points(target, pose + lane * poses).position
        stand = one.stand_of_pose[pose] + lane * n_stands
        point = pose * (target.max(initial=0) + 1) + target
        known = self._whole[which].ravel()
        placements = level_placements(house, position, point, stand, known)
        starts = np.zeros((c, len(layout)))
        starts[:, layout.columns(RIG)[0]] = parameters
        starts[:, layout.columns(STAND)] = placements.reshape(c, n_stands, -1)
        return starts

    def __call__(self, which: np.ndarray, unknowns: np.ndarray, readings: np.ndarray
                 ) -> Prediction:
        """What the shots of some problems should show, one problem after the other.

        Parameters
        ----------
        which : ndarray of int, shape (c,)
        unknowns : ndarray, shape (c, n_unknowns)
        readings : ndarray, shape (c, n_poses, n_readings), rad
        """
        one, (c, poses, k) = self.problems[0], readings.shape
        if one.run.set_ups is not None:  # their corrections come between points and shots
            each = [self.problems[w](x, r)
                    for w, x, r in zip(which, unknowns, readings, strict=True)]
            return Prediction(*(np.concatenate([np.asarray(getattr(p, name)) for p in each])
                                for name in ("values", "by_parameters", "by_readings")))
        layout = one.layout
        target, pose = (a[which].ravel() for a in self._shots[:2])
        lane = np.repeat(np.arange(c), len(target) // c)
        placement = np.concatenate([one.placement(x) for x in unknowns])
        points = one.run.rig.chain.posture(
            unknowns[:, layout.columns(RIG)[0]], placement, readings.reshape(c * poses, k), True,
            self._noted(c)).points(target, pose + lane * poses)
        by_unknowns = layout.dense(placed(points, one.stand_of_pose[pose]))
        n = points.position.size
        return Prediction(points.position.reshape(n), by_unknowns.reshape(n, -1),
                          points.by_readings.reshape(n, k))

    def _noted(self, c):
        return np.tile(self.problems[0].run.noted, (c, 1))

    @cached_property
    def _shots(self):
        """Target, pose and position of every shot, each by problem first."""
        return tuple(np.stack([getattr(problem.run.shots, name) for problem in self.problems])
                     for name in ("target", "pose", "position"))

    @cached_property
    def _readings(self):
        return np.stack([problem.run.poses.readings for problem in self.problems])

    @cached_property
    def _whole(self):
        """Whether nothing of a shot's pose is set aside, (n_problems, n_shots)."""
        return np.stack([np.isfinite(problem.run.poses.sd).all(1)[problem.run.shots.pose]
                         for problem in self.problems])
