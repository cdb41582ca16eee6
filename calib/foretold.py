"""What shots that took no part should show, and how the errors of that hang together."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.adjust.unknown_errors import ReadingLinks
from calib.calibration import Solution
from calib.chain.circle import wrapped
from calib.run.records import Shots


@dataclass(frozen=True)
class Foretold:
    """Predictions at `Solution.readings_used`, and the parts of the errors of their misses.

    The error of a miss is that of the shot, plus ``known`` times the errors of the readings of its
    pose that take part, less ``design`` times those of the unknowns, less ``own`` times those of
    the readings that are set aside, as estimated at known unknowns. A pose whose other shots took
    part shares its readings with the unknowns; see `calib.adjust.unknown_errors.ReadingLinks`.
    """

    solution: Solution
    links: ReadingLinks
    shots: Shots
    position: np.ndarray  #: Shape (n, 3), m.
    #: Shape (n, 3, n_unknowns). What the unknowns do, directly and through the readings that are
    #: set aside.
    design: np.ndarray
    #: known, own: shape (n, 3, n_readings).
    known: np.ndarray
    own: np.ndarray
    #: Bool, shape (n,). False: a reading of the pose is set aside that no other shot of the pose
    #: replaces, or no shot tells where the target is; nothing else of such a shot means anything.
    predictable: np.ndarray

    @cached_property
    def covariances(self) -> np.ndarray:
        """Of the miss of each shot: calibration, readings and the shot itself; (n, 3, 3), m^2."""
        pose, c = self.shots.pose, self.solution.adjustment.covariance
        transposed = self.design.transpose(0, 2, 1)
        shared = self.known @ self.links.with_parameters[pose] @ transposed
        return (self.shots.covariance + self._within(slice(None), slice(None))
                + self.design @ c @ transposed - shared - shared.transpose(0, 2, 1))

    @cached_property
    def joint(self) -> np.ndarray:
        """Of all misses together, shape (3 n, 3 n), m^2."""
        pose, n, c = self.shots.pose, len(self.shots), self.solution.adjustment.covariance
        design = self.design.reshape(3 * n, -1)
        shared = (self.known @ self.links.with_parameters[pose]).reshape(3 * n, -1) @ design.T
        total = (design @ c @ design.T - shared - shared.T).reshape(n, 3, n, 3)
        i, j = np.nonzero(pose[:, None] == pose)
        total[i, :, j, :] += self._within(i, j)
        total[np.arange(n), :, np.arange(n), :] += self.shots.covariance
        return total.reshape(3 * n, 3 * n)

    def _within(self, i, j):
        """What shots i and j of the same poses share through their readings, each (3, 3)."""
        pose = self.shots.pose[i]
        readings = self.solution.problem.observations.reading_covariance[pose]
        known, own = self.known[i], self.own[i]
        other_known, other_own = (a[j].transpose(0, 2, 1) for a in (self.known, self.own))
        mixed = self.links.with_own[pose]
        return (known @ readings @ other_known + own @ self.links.own[pose] @ other_own
                - known @ mixed @ other_own - own @ mixed.transpose(0, 2, 1) @ other_known)


@dataclass(frozen=True)
class Replaced:
    """A reading that is set aside, as the shots of its pose tell it; rad."""

    pose: int
    reading: int
    #: measured, estimate, sd: The sd is inf, and the estimate nothing, where no shot of the pose
    #: determines it.
    measured: float
    estimate: float
    sd: float


def replaced_readings(solution: Solution) -> tuple[Replaced, ...]:
    """Every reading that is set aside, pose by pose."""
    links, covariance = ReadingLinks.of(solution.adjustment), solution.adjustment.covariance
    found = []
    for pose, reading in np.argwhere(~links.known).tolist():
        link = links.by_parameters[pose, reading]
        variance = links.own[pose, reading, reading] + link @ covariance @ link
        known = links.determined[pose, reading]
        measured = solution.run.poses.readings[pose, reading]
        # Turned by whole turns to lie next to what it read.
        off = float(wrapped(solution.adjustment.corrections[pose, reading]))
        found.append(Replaced(pose, reading, float(measured), float(measured + off),
                              float(np.sqrt(variance)) if known else np.inf))
    return tuple(found)


def foretold(solution: Solution, shots: Shots) -> Foretold:
    """Predict shots that took no part, in stands that the solution placed."""
    position, parts, by_readings = solution.problem.parts(
        solution.adjustment.parameters, solution.readings_used, shots)
    links, pose = ReadingLinks.of(solution.adjustment), shots.pose
    own = by_readings * links.determined[pose, None, :]
    return Foretold(
        solution=solution,
        links=links,
        shots=shots,
        position=position,
        design=solution.problem.layout.dense(parts) - own @ links.by_parameters[pose],
        known=by_readings * links.known[pose, None, :],
        own=own,
        predictable=((links.known | links.determined).all(1)[pose]
                     & ~solution.rig.unplaced[shots.target]),
    )
