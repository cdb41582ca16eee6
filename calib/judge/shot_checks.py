"""Check shots: predicted from the solution, never part of it, judged against a tolerance."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from calib.adjust.distributions import chi2_sf
from calib.calibration import Solution
from calib.chain.rig import Rig
from calib.foretold import foretold
from calib.run.records import Shots

#: On the 3-D miss of a check shot where neither user nor rig says anything, m (common practice, no
#: source).
TOLERANCE = 0.030


class Origin(StrEnum):
    """Where a limit is from: the command, the rig's file, the goal in it, or what is common."""

    USER, RIG, GOAL, PRACTICE = "user", "rig", "goal", "practice"


@dataclass(frozen=True)
class Checked:
    """Check shots against their predictions, in the order of `shots`."""

    shots: Shots
    #: Shape (n, 3). Measured - predicted at the readings as they were, those set aside as
    #: estimated, m.
    misses: np.ndarray
    #: Shape (n, 3, 3). Of the misses: calibration, readings and the check shot itself, m^2.
    covariances: np.ndarray
    tolerance: float  #: On the 3-D miss, m.
    #: Poses with shots that nothing predicts: what is set aside is not replaced by another shot.
    left_out: tuple[str, ...] = ()

    @property
    def lengths(self) -> np.ndarray:
        """3-D misses, shape (n,), m."""
        return np.linalg.norm(self.misses, axis=1)

    @property
    def statistics(self) -> np.ndarray:
        """Squared misses over their covariance, chi-square of 3 if all sds are true."""
        return squared(self.misses, self.covariances)

    @property
    def passed(self) -> bool:
        """Every 3-D miss is within the tolerance."""
        return bool((self.lengths <= self.tolerance).all())


def squared(misses: np.ndarray, covariances: np.ndarray) -> np.ndarray:
    """Of each miss (n, 3) over its covariance, shape (n,)."""
    solved = np.linalg.solve(covariances, misses[:, :, None])[:, :, 0]
    return np.einsum("ij,ij->i", misses, solved)


def tolerance_for(rig: Rig, stated: float | None = None, noise95: float = 0.0
                  ) -> tuple[float, Origin]:
    """The tolerance on check shots, m, and where it is from; `stated` by the user goes first.

    The goal of the edge counts the readings as exact, a miss has their errors in it: `noise95`,
    m at 95 %, as `calib.judge.goal.EdgeKnown` has it, comes on top as a root of squares.
    """
    if stated is not None:
        return stated, Origin.USER
    if rig.check_tolerance is not None:
        return rig.check_tolerance, Origin.RIG
    if rig.edge_goal is not None:
        return float(np.hypot(rig.edge_goal, noise95)), Origin.GOAL
    return TOLERANCE, Origin.PRACTICE


def check_shots(solution: Solution, shots: Shots, tolerance: float = TOLERANCE) -> Checked:
    """Predict shots that took no part in the solution.

    Parameters
    ----------
    shots : Shots
        Of poses of the solution's run, in stands that the solution placed.

    Raises
    ------
    ValueError
        Naming the stands that have no shots in the run.
    """
    problem = solution.problem
    lost = shots.pose[problem.stand_of_pose[shots.pose] < 0]
    if len(lost):
        names = sorted({solution.run.poses.stand[p] for p in lost})
        raise ValueError(f"check shots in stand {', '.join(names)}, which has no shots to place it")
    told = foretold(solution, shots)
    lost = np.unique(shots.pose[~told.predictable])
    if len(lost):
        shots = shots.select(told.predictable)
        told = foretold(solution, shots)
    return Checked(shots, shots.position - told.position, told.covariances, tolerance,
                   tuple(solution.run.poses.ids[p] for p in lost))


@dataclass(frozen=True)
class Offset:
    """What the check shots are off by in common."""

    #: mean, sd: shape (3,). East, north, up: weighted mean of the misses, m, and its sds.
    mean: np.ndarray
    sd: np.ndarray
    chance: float  #: That the misses of a run without a common offset have a mean as far out.
    alike: float  #: That misses with this offset in common differ as much among themselves.


def common_offset(solution: Solution, checked: Checked) -> Offset:
    """Generalised least-squares mean of the misses, tested against its full covariance."""
    n, joint = len(checked.shots), foretold(solution, checked.shots).joint
    ones = np.tile(np.eye(3), (n, 1))
    weighted = np.linalg.solve(joint, ones)
    covariance = np.linalg.inv(ones.T @ weighted)
    mean = covariance @ (weighted.T @ checked.misses.ravel())
    statistic = mean @ np.linalg.solve(covariance, mean)
    rest = (checked.misses - mean).ravel()
    apart = chi2_sf(rest @ np.linalg.solve(joint, rest), 3 * n - 3) if n > 1 else 1.0
    return Offset(mean, np.sqrt(np.diag(covariance)), float(chi2_sf(statistic, 3)), float(apart))
