"""Congruency of two adjustments of the same parameters: has anything moved, and what?

With the information matrices L1, L2 of two independent epochs and their estimates x1, x2, the
misfit of the hypothesis that the parameters are the same is

    omega = d' W d,    d = x2 - x1,    W = L1 (L1 + L2)^+ L2,

chi-square with the rank of W as degrees of freedom; over the pooled variance factor it is the F
test of H. Pelzer, *Zur Analyse geodaetischer Deformationsmessungen*, DGK C 164 (1971), and
W. F. Caspary, *Concepts of Network and Deformation Analysis*, UNSW Monograph 11 (1987), both from
memory. W is the inverse of Q1 + Q2 where both are regular; in this form it also serves parameters
that an epoch leaves undetermined (a datum, a quantity that nothing observed). Moved parameters
are found one at a time, the largest drop of omega first.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import pinvh

from calib.adjust.distributions import f_isf, f_sf

#: Level of the global test and of each step of the search.
LEVEL = 0.05

#: Eigenvalues of scaled information below this share of the largest are nothing.
RANK_TOLERANCE = 1e-9


@dataclass(frozen=True)
class Epoch:
    """What the observations of one epoch say about the parameters."""

    information: np.ndarray  #: Shape (p, p). Symmetric, positive semi-definite.
    #: Shape (p,). ``information @ (x - origin)`` with x the estimate; defined also where x is not.
    score: np.ndarray
    chi2: float
    dof: int

    def scaled(self) -> "Epoch":
        """The same with its own variance factor brought to 1; itself without redundancy."""
        if not (self.dof and self.chi2):
            return self
        factor = self.chi2 / self.dof
        return Epoch(self.information / factor, self.score / factor, float(self.dof), self.dof)

    @classmethod
    def without_prior(cls, estimate: np.ndarray, covariance: np.ndarray, chi2: float, dof: int,
                      gradient: np.ndarray, prior_residual: np.ndarray, prior_sd: np.ndarray,
                      origin: np.ndarray) -> "Epoch":
        """Take Gaussian priors out of an estimate, so that only observations speak.

        Parameters
        ----------
        estimate : ndarray, shape (p,)
        covariance : ndarray, shape (p, p)
            Regular.
        chi2, dof
            Of the adjustment with the priors.
        gradient : ndarray, shape (q, p)
            H, of the prior functions.
        prior_residual, prior_sd : ndarray, shape (q,)
            Prior value less its function at the estimate, and the prior's sd.
        origin : ndarray, shape (p,)
            Common to both epochs.
        """
        scale = np.sqrt(np.diag(covariance))
        weighted = gradient * scale / prior_sd[:, None]
        information = np.linalg.inv(covariance / np.outer(scale, scale)) - weighted.T @ weighted
        information, rank = _semi_definite(information)
        pull = weighted.T @ (prior_residual / prior_sd)
        left_over = (prior_residual / prior_sd) @ (prior_residual / prior_sd)
        left_over += pull @ pinvh(information, rtol=RANK_TOLERANCE) @ pull
        score = information @ ((estimate - origin) / scale) - pull
        return cls(
            information / np.outer(scale, scale),
            score / scale,
            max(chi2 - left_over, 0.0),
            dof - len(prior_sd) + len(estimate) - rank,
        )


@dataclass(frozen=True)
class Moved:
    """A candidate taken to have moved: its number and the F value of its step.

    `alternatives` are candidates that explain as much but for what chance does: the F value of
    their step falls short by less than `limit`.
    """

    candidate: int
    statistic: float
    limit: float
    alternatives: tuple[int, ...] = ()


@dataclass(frozen=True)
class Congruency:
    """The test of two epochs."""

    omega: float
    rank: int
    pooled: float  #: Variance factor of both epochs together.
    dof: int  #: Of `pooled`.
    #: statistic, limit: F value of the global test and its critical value at `LEVEL`.
    statistic: float
    limit: float
    p_value: float
    moved: tuple[Moved, ...]  #: In the order in which they were found; empty if the test passes.
    #: change, change_covariance: shapes (m,) and (m, m). Of the moved candidates, all others taken
    #: as unmoved; a-priori covariance.
    change: np.ndarray
    change_covariance: np.ndarray
    #: rest_statistic, rest_limit: F value of what is left, and its critical value; NaN if nothing
    #: is left to test.
    rest_statistic: float
    rest_limit: float

    @property
    def congruent(self) -> bool:
        """No difference beyond chance."""
        return self.statistic <= self.limit


def congruency(first: Epoch, second: Epoch, most: int = 4,
               candidates: np.ndarray | None = None) -> Congruency:
    """Test whether two epochs agree, and search what moved if they do not.

    Parameters
    ----------
    first, second : Epoch
        About the same parameters, with scores from the same origin.
    most : int
        Moved candidates to name at most.
    candidates : ndarray, shape (p, k), optional
        Columns: the change of the parameters per unit of what may have moved. Each parameter
        alone if not given.

    Raises
    ------
    ValueError
        If no combination of parameters is told by both epochs, or no degree of freedom is left.
    """
    dof = first.dof + second.dof
    if dof <= 0:
        raise ValueError("neither epoch has any redundancy: there is nothing to test with")
    weight, pulled = weighted_difference(first, second)
    scale = 1 / np.sqrt(np.where(np.diag(weight) > 0, np.diag(weight), 1.0))
    weight, pulled = weight * np.outer(scale, scale), pulled * scale
    inverse, rank = pinvh(weight, rtol=RANK_TOLERANCE, return_rank=True)
    if rank == 0:
        raise ValueError("no combination of parameters is told by both epochs")
    omega = float(pulled @ inverse @ pulled)
    pooled = (first.chi2 + second.chi2) / dof
    statistic = omega / rank / pooled
    limit = float(f_isf(LEVEL, rank, dof))
    columns = (np.eye(len(pulled)) if candidates is None else candidates) / scale[:, None]
    told = np.einsum("pk,pq,qk->k", columns, weight, columns)
    units = np.sqrt(np.where(told > 0, told, 1.0))
    normal, pulls = (columns / units).T @ weight @ (columns / units), pulled @ columns / units
    moved, left_over = search(normal, pulls, omega, rank, dof, pooled, most)
    chosen, left = [m.candidate for m in moved], rank - len(moved)
    change, covariance = changes(normal, pulls, chosen)
    return Congruency(
        omega, rank, float(pooled), dof, float(statistic), limit,
        float(f_sf(statistic, rank, dof)), tuple(moved), change / units[chosen],
        covariance / np.outer(units[chosen], units[chosen]),
        float(left_over / left / pooled) if left else np.nan,
        float(f_isf(LEVEL, left, dof)) if left else np.nan,
    )


def search(normal: np.ndarray, pulls: np.ndarray, omega: float, rank: int, dof: int,
           pooled: float, most: int) -> tuple[list[Moved], float]:
    """Candidates in the order of their drops of omega until the rest passes; what is left of it.

    Parameters
    ----------
    normal : ndarray, shape (k, k)
        Information about the candidates' changes where all else is as it is best.
    pulls : ndarray, shape (k,)
        ``normal @ changes`` of the best changes.
    omega, rank, dof, pooled
        As in `Congruency`.
    most : int
        Candidates to find at most.
    """
    moved: list[Moved] = []
    chosen: list[int] = []
    gained, left = 0.0, rank
    limit = float(f_isf(LEVEL, 1, dof))
    while left and len(chosen) < most:
        if (omega - gained) / left / pooled <= f_isf(LEVEL, left, dof):
            break
        drops = np.array([_drop(normal, pulls, [*chosen, j])
                          if normal[j, j] > 0 and j not in chosen else -np.inf
                          for j in range(len(pulls))])
        best = int(np.argmax(drops))
        close = drops > drops[best] - limit * pooled
        close[best] = False
        moved.append(Moved(best, float((drops[best] - gained) / pooled), limit,
                           tuple(np.flatnonzero(close).tolist())))
        chosen.append(best)
        gained, left = drops[best], left - 1
    return moved, omega - gained


def weighted_difference(first: Epoch, second: Epoch) -> tuple[np.ndarray, np.ndarray]:
    """W and W d of two epochs, shapes (p, p) and (p,)."""
    total = first.information + second.information
    scale = 1 / np.sqrt(np.where(np.diag(total) > 0, np.diag(total), 1.0))
    scales = np.outer(scale, scale)
    inverse = pinvh(total * scales, rtol=RANK_TOLERANCE) * scales
    weight = first.information @ inverse @ second.information
    pulled = (first.information @ inverse @ second.score
              - second.information @ inverse @ first.score)
    return (weight + weight.T) / 2, pulled


def _drop(weight: np.ndarray, pulled: np.ndarray, chosen: Sequence[int]) -> float:
    """How much omega falls if the chosen parameters may move."""
    part = weight[np.ix_(chosen, chosen)]
    values, vectors = np.linalg.eigh(part)
    if values[0] <= RANK_TOLERANCE * values[-1]:
        return -np.inf
    return float(np.sum((vectors.T @ pulled[chosen]) ** 2 / values))


def changes(weight: np.ndarray, pulled: np.ndarray, chosen: list[int]
            ) -> tuple[np.ndarray, np.ndarray]:
    """Of the chosen candidates, all others taken as unmoved; and their covariance."""
    if not chosen:
        return np.zeros(0), np.zeros((0, 0))
    covariance = np.linalg.inv(weight[np.ix_(chosen, chosen)])
    return covariance @ pulled[chosen], covariance


def _semi_definite(matrix: np.ndarray) -> tuple[np.ndarray, int]:
    """The nearest matrix without negative eigenvalues or ones next to nothing, and its rank."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    kept = values > max(RANK_TOLERANCE * values[-1], 1e-7)
    return (vectors[:, kept] * values[kept]) @ vectors[:, kept].T, int(kept.sum())
