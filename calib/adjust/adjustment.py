"""A solved problem: estimates, covariance, residuals, and the problem linearised there."""

from dataclasses import dataclass

import numpy as np

from calib.adjust.linearised import Linearised
from calib.adjust.observations import Observations, Prior


@dataclass(frozen=True)
class Adjustment:
    """A solved problem.

    Attributes
    ----------
    names : tuple of str
        Order of `parameters` and of the rows of `covariance`.
    parameters : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
        A-priori (observation sds taken at their word); zero rows for held parameters.
    free : ndarray of bool, shape (p,)
    residuals : ndarray, shape (n,)
        Measured - computed at the adjusted readings.
    corrections : ndarray, shape (n_blocks, k)
        v, to be added to the readings.
    prior_residuals : ndarray, shape (q,)
        t - h(x).
    iterations : int
        Refreshes of the weights.
    """

    observations: Observations
    prior: Prior
    names: tuple[str, ...]
    parameters: np.ndarray
    covariance: np.ndarray
    free: np.ndarray
    residuals: np.ndarray
    corrections: np.ndarray
    prior_residuals: np.ndarray
    linearised: Linearised
    iterations: int

    def __repr__(self) -> str:
        return (f"<Adjustment: {len(self.residuals)} observations, {self.free.sum()} unknowns, "
                f"chi2 {self.chi2:.4g}, {self.dof} degrees of freedom>")

    @property
    def sd(self) -> np.ndarray:
        """A-priori standard deviations, shape (p,); 0 for held parameters."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def dof(self) -> int:
        """Degrees of freedom: observations and priors less free parameters and what is aside."""
        return (len(self.residuals) + len(self.prior_residuals) - int(self.free.sum())
                - self.linearised.unknown_errors)

    @property
    def chi2(self) -> float:
        """Weighted sum of squares; chi-square with `dof` if the stated sds are true."""
        return float(self.linearised.misclosure @ self.linearised.misclosure)

    @property
    def variance_factor(self) -> float | None:
        """chi2 / dof; None without redundancy."""
        return self.chi2 / self.dof if self.dof > 0 else None
