"""A solved problem: estimates, covariance, residuals, and the problem linearised there."""

from dataclasses import dataclass

import numpy as np

from calib.adjust.linearised import Linearised
from calib.adjust.observations import Observations, Prior


@dataclass(frozen=True)
class Adjustment:
    """A solved problem."""

    observations: Observations
    prior: Prior
    names: tuple[str, ...]  #: Order of `parameters` and of the rows of `covariance`.
    parameters: np.ndarray  #: Shape (p,).
    #: Shape (p, p). A-priori (observation sds taken at their word); zero rows for held parameters.
    covariance: np.ndarray
    free: np.ndarray  #: Bool, shape (p,).
    residuals: np.ndarray  #: Shape (n,). Measured - computed at the adjusted readings.
    corrections: np.ndarray  #: Shape (n_blocks, k). v, to be added to the readings.
    prior_residuals: np.ndarray  #: Shape (q,). t - h(x).
    linearised: Linearised
    iterations: int  #: Refreshes of the weights.

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
