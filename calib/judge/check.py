"""Check shots: predicted from the solution, never part of it, judged against a tolerance."""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import block_diag
from scipy.stats import chi2

from calib.adjust.reliability import influence
from calib.calibration import Predicted, Solution
from calib.chain.rig import Rig
from calib.run.records import Shots

#: On the 3-D miss of a check shot unless the user says otherwise, m (common practice, no source).
#: It does not follow from the goal of the edge: the errors of the shot and of the readings, which
#: the goal leaves out, are in the miss.
TOLERANCE = 0.030


@dataclass(frozen=True)
class Checked:
    """Check shots against their predictions, in the order of `shots`.

    Attributes
    ----------
    shots : Shots
    misses : ndarray, shape (n, 3)
        Measured - predicted at the readings as they were, m.
    covariances : ndarray, shape (n, 3, 3)
        Of the misses: calibration, readings and the check shot itself, m^2.
    tolerance : float
        On the 3-D miss, m.
    """

    shots: Shots
    misses: np.ndarray
    covariances: np.ndarray
    tolerance: float

    @property
    def lengths(self) -> np.ndarray:
        """3-D misses, shape (n,), m."""
        return np.linalg.norm(self.misses, axis=1)

    @property
    def statistics(self) -> np.ndarray:
        """Squared misses over their covariance, chi-square of 3 if all sds are true."""
        solved = np.linalg.solve(self.covariances, self.misses[:, :, None])[:, :, 0]
        return np.einsum("ij,ij->i", self.misses, solved)

    @property
    def passed(self) -> bool:
        """Every 3-D miss is within the tolerance."""
        return bool((self.lengths <= self.tolerance).all())


def tolerance_for(rig: Rig, stated: float | None = None) -> tuple[float, str]:
    """The tolerance on check shots, m, and where it is from; `stated` by the user goes first."""
    if stated is not None:
        return stated, "stated by the user"
    if rig.check_tolerance is not None:
        return rig.check_tolerance, "rig.toml"
    return TOLERANCE, "common practice, no source"


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
    predicted = _predicted(solution, shots)
    design, by_readings = predicted.by_unknowns, predicted.by_readings
    reading_variance = solution.run.poses.sd[shots.pose, None, :] ** 2
    through = by_readings * reading_variance
    shared = design @ _gain(solution, shots.pose) @ through.transpose(0, 2, 1)
    covariances = (
        shots.covariance
        + through @ by_readings.transpose(0, 2, 1)
        + design @ solution.adjustment.covariance @ design.transpose(0, 2, 1)
        + shared + shared.transpose(0, 2, 1)
    )
    return Checked(shots, shots.position - predicted.position, covariances, tolerance)


def joint_covariance(solution: Solution, shots: Shots) -> np.ndarray:
    """Of the misses of shots that took no part, all together, shape (3 n, 3 n), m^2.

    Shots of a pose share its readings, all share the calibration; and a pose of which other shots
    took part has its readings in both.
    """
    predicted, n = _predicted(solution, shots), len(shots)
    poses, place = np.unique(shots.pose, return_inverse=True)
    design = predicted.by_unknowns.reshape(3 * n, -1)
    by_readings = np.zeros((n, 3, len(poses), predicted.by_readings.shape[2]))
    by_readings[np.arange(n), :, place] = predicted.by_readings
    by_readings = by_readings.reshape(3 * n, -1)
    through = by_readings * solution.run.poses.sd[poses].ravel() ** 2
    gain = np.concatenate(list(_gain(solution, poses)), axis=1)
    shared = design @ gain @ through.T
    return (block_diag(*shots.covariance) + through @ by_readings.T
            + design @ solution.adjustment.covariance @ design.T + shared + shared.T)


def _predicted(solution, shots) -> Predicted:
    return solution.problem.predicted(
        solution.adjustment.parameters, solution.run.poses.readings, shots)


def _gain(solution, poses):
    """How the unknowns moved with each reading of these poses, shape (n, n_unknowns, k)."""
    if not np.isin(poses, solution.run.shots.pose).any():
        return np.zeros((len(poses), len(solution.problem.names),
                         solution.run.poses.readings.shape[1]))
    return influence(solution.adjustment).readings[poses].transpose(0, 2, 1)


@dataclass(frozen=True)
class Offset:
    """What the check shots are off by in common.

    Attributes
    ----------
    mean, sd : ndarray, shape (3,)
        East, north, up: weighted mean of the misses, m, and its sds.
    chance : float
        That the misses of a run without a common offset have a mean as far out.
    """

    mean: np.ndarray
    sd: np.ndarray
    chance: float


def common_offset(solution: Solution, checked: Checked) -> Offset:
    """Generalised least-squares mean of the misses, tested against its full covariance."""
    n = len(checked.shots)
    ones = np.tile(np.eye(3), (n, 1))
    weighted = np.linalg.solve(joint_covariance(solution, checked.shots), ones)
    covariance = np.linalg.inv(ones.T @ weighted)
    mean = covariance @ (weighted.T @ checked.misses.ravel())
    statistic = mean @ np.linalg.solve(covariance, mean)
    return Offset(mean, np.sqrt(np.diag(covariance)), float(chi2.sf(statistic, 3)))
