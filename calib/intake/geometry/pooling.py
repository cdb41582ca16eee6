"""Repeated shots to one target in one pose: their weighted mean and a test of their scatter."""

from dataclasses import dataclass

import numpy as np

from calib.adjust.distributions import chi2_isf


@dataclass(frozen=True)
class Pooled:
    """The mean of repeated shots."""

    position: np.ndarray  #: Shape (3,), m.
    #: Shape (3, 3), m^2, from the stated sds only: a lucky small scatter does not shrink it.
    covariance: np.ndarray
    chi2: float  #: Weighted sum of squares of the scatter.
    dof: int  #: 3 (n - 1).
    limit: float  #: What chi2 stays below with probability 1 - alpha if the stated sds are true.
    spread: float  #: Largest distance of a shot from the mean, m.

    @property
    def agrees(self) -> bool:
        return self.chi2 <= self.limit


def pool(position: np.ndarray, covariance: np.ndarray, alpha: float = 0.001) -> Pooled:
    """Weighted mean of independent shots to one point.

    The sum of squares about the weighted mean has the chi-square distribution with 3 (n - 1)
    degrees of freedom if the covariances are true.

    Parameters
    ----------
    position : ndarray, shape (n, 3)
    covariance : ndarray, shape (n, 3, 3)
        The shots' own parts: what they share through a set-up must not be in it.
    alpha : float
        Chance of accusing good shots.

    Examples
    --------
    >>> p = pool(np.array([[0, 0, 0], [0.002, 0, 0]]), np.array([np.eye(3) * 1e-6] * 2))
    >>> p.position.round(6).tolist(), round(p.chi2, 6), p.agrees
    ([0.001, 0.0, 0.0], 2.0, True)
    """
    weight = np.linalg.inv(covariance)
    mean_covariance = np.linalg.inv(weight.sum(axis=0))
    mean = mean_covariance @ np.einsum("nij,nj->i", weight, position)
    offset = position - mean
    chi2 = float(np.einsum("ni,nij,nj->", offset, weight, offset))
    dof = 3 * (len(position) - 1)
    limit = float(chi2_isf(alpha, dof)) if dof else 0.0
    spread = float(np.linalg.norm(offset, axis=1).max())
    return Pooled(mean, mean_covariance, chi2, dof, limit, spread)
