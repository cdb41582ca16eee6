"""The tape against the shots: each taped value tested by a solution that did not know it."""

from dataclasses import dataclass

import numpy as np

from calib.adjust.distributions import chi2_isf, normal_isf
from calib.chain.circle import differences
from calib.chain.rig import Rig
from calib.run.records import Tape
from calib.taped import taped_quantities

#: Level of the test of one taped value, two-sided, and of all together (common practice).
TAPE_LEVEL = 0.01

#: A difference of which less than this share of the tape's variance is news tests nothing.
UNTESTED_SHARE = 1e-6


@dataclass(frozen=True)
class TapeTest:
    """Taped values against solved ones, in the order of the tape's rows; m or rad."""

    quantities: tuple[str, ...]
    #: tape, tape_sd: shape (q,).
    tape: np.ndarray
    tape_sd: np.ndarray
    #: solved, solved_sd: shape (q,), sd 0 where held.
    solved: np.ndarray
    solved_sd: np.ndarray
    used: np.ndarray  #: Bool, shape (q,). Whether the tape took part in the solution.
    #: Shape (q,). Of solved - tape, correlation taken into account; NaN where nothing is tested.
    difference_sd: np.ndarray
    #: Shape (q,). Difference over its sd: the same number as for a solution without this row.
    z: np.ndarray
    #: without, without_sd: shape (q,). What a solution without this row says; NaN where there is
    #: none.
    without: np.ndarray
    without_sd: np.ndarray
    #: joint, dof: Chi-square of all differences together.
    joint: float
    dof: int

    @property
    def limit(self) -> float:
        """Critical value of |z|."""
        return float(normal_isf(TAPE_LEVEL / 2))

    @property
    def joint_limit(self) -> float:
        """Critical value of `joint`; NaN without anything to test."""
        return float(chi2_isf(TAPE_LEVEL, self.dof)) if self.dof else np.nan

    @property
    def significant(self) -> np.ndarray:
        """Mask of the rows that differ by more than chance, shape (q,)."""
        return np.abs(np.nan_to_num(self.z)) > self.limit


def tape_test(rig: Rig, parameters: np.ndarray, covariance: np.ndarray, tape: Tape,
              used: bool | np.ndarray = True) -> TapeTest:
    """Test a tape against solved parameters.

    With t, T the taped values and their covariance and h = H x, C_h = H C H' the solved ones,
    t - h has the covariance T - C_h if the tape took part in the solution (then t - h and h are
    uncorrelated) and T + C_h if it did not. Leaving out row i changes its own value to
    t - (t - h) T / (T - C_h), with the variance C_h T / (T - C_h): the test is the same.

    Parameters
    ----------
    parameters, covariance : ndarray, shapes (p,) and (p, p)
        m or rad; zero rows where held.
    used : bool or ndarray of bool, shape (q,)
        Which rows took part in the solution. Rows on held parameters never do.
    """
    h, gradient = taped_quantities(rig, parameters, tape.quantities)
    own = gradient @ covariance @ gradient.T
    variance = np.diag(own).copy()
    sd = np.asarray(tape.sd, float)
    used = np.broadcast_to(used, len(sd)) & (variance > 0)
    sign = np.where(used, -1.0, 1.0)
    # t - h of a row that took part is uncorrelated with h, and so with any row that did not.
    total = np.diag(sd**2) + np.where(np.equal.outer(used, used), sign * own, 0.0)
    difference_variance = sd**2 + sign * variance
    tested = (difference_variance > UNTESTED_SHARE * sd**2) & (variance > 0)
    difference_sd = np.sqrt(np.where(tested, difference_variance, np.nan))
    gain = np.where(used, sd**2 / np.where(tested, difference_variance, np.nan), 1.0)
    difference = differences(h, tape.value, tape.si_units)
    joint, dof = chi_square(difference[tested], total[np.ix_(tested, tested)])
    return TapeTest(
        quantities=tape.quantities,
        tape=tape.value,
        tape_sd=sd,
        solved=h,
        solved_sd=np.sqrt(np.maximum(variance, 0.0)),
        used=used,
        difference_sd=difference_sd,
        z=difference / difference_sd,
        without=np.where(tested, tape.value + difference * gain, np.nan),
        without_sd=np.sqrt(np.where(tested, variance * gain, np.nan)),
        joint=joint,
        dof=dof,
    )


def chi_square(difference: np.ndarray, covariance: np.ndarray) -> tuple[float, int]:
    """Statistic and rank, on the part of the covariance that is not next to nothing."""
    if not len(difference):
        return 0.0, 0
    sd = np.sqrt(np.diag(covariance))
    values, vectors = np.linalg.eigh(covariance / np.outer(sd, sd))
    kept = values > UNTESTED_SHARE
    parts = (vectors.T @ (difference / sd))[kept] ** 2 / values[kept]
    return float(parts.sum()), int(kept.sum())
