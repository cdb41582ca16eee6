"""Robust re-weighting: find suspects when there are many at once.

Iteratively re-weighted least squares over groups of values (a shot, a reading). The distance of a
group is u = sqrt(v' S^-1 v / f), v its residuals of the full adjustment and S their stated
covariance; its variances are divided by Huber's weight min(1, k / u). P. J. Huber, Annals of
Mathematical Statistics 35 (1964) 73-101 (from memory). Weights only find suspects. The uncertainty
of a result comes from a plain adjustment of what is left: the covariance of a re-weighted one is
not that of its estimates.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.adjust.adjustment import Adjustment
from calib.adjust.mixed_model import NotConverged, readjust
from calib.adjust.observations import Model, Observations, Prior
from calib.adjust.reliability import Candidate

#: Huber's customary constant, in standard deviations.
TUNING = 1.345

_MOST_ROUNDS, _SETTLED = 60, 5e-3


@dataclass(frozen=True)
class Reweighted:
    """Weights at the robust solution."""

    weights: dict[Hashable, float]  #: 1 for a group that fits, small for one that does not.
    #: Shape (p,). The robust estimates; their uncertainty is that of a plain adjustment of what is
    #: left.
    parameters: np.ndarray
    corrections: np.ndarray  #: Shape (n_blocks, k).

    def below(self, weight: float) -> tuple[Hashable, ...]:
        """Labels with less than `weight`, least first."""
        return tuple(sorted((label for label, w in self.weights.items() if w < weight),
                            key=self.weights.__getitem__))


def reweight(model: Model, solved: Adjustment, groups: Sequence[Candidate]) -> Reweighted:
    """Fit robustly.

    Parameters
    ----------
    solved : Adjustment
        Of the model, to start from.
    groups : sequence of Candidate
        Disjoint; each with rows or with readings. Values in none keep their weight.

    Raises
    ------
    NotConverged
        If the weights do not settle.
    """
    stated, prior, weights = solved.observations, solved.prior, np.ones(len(groups))
    for _ in range(_MOST_ROUNDS):
        observations, weighted_prior = _weighted(stated, prior, groups, weights)
        solved = readjust(model, solved, observations=observations, prior=weighted_prior)
        u = _distances(solved, stated, prior, groups)
        new = np.minimum(1.0, TUNING / np.maximum(u, 1e-12))
        if np.abs(new - weights).max(initial=0.0) < _SETTLED:
            labels = (group.label for group in groups)
            return Reweighted(dict(zip(labels, new.tolist(), strict=True)), solved.parameters,
                              solved.corrections)
        weights = new
    raise NotConverged(f"the robust weights still move after {_MOST_ROUNDS} rounds")


def _weighted(observations: Observations, prior: Prior, groups: Sequence[Candidate],
              weights: np.ndarray) -> tuple[Observations, Prior]:
    """The same with the variances of each group divided by its weight."""
    n = len(observations.values)
    of_row = np.ones(n + len(prior.values))
    of_reading = np.ones(observations.readings.shape)
    for group, weight in zip(groups, weights, strict=True):
        of_row[list(group.rows)] = 1 / np.sqrt(weight)
        if group.readings:
            of_reading[group.block, list(group.readings)] = 1 / np.sqrt(weight)
    return (observations.scaled(of_row[:n], of_reading),
            replace(prior, covariance=prior.covariance * np.outer(of_row[n:], of_row[n:])))


def _distances(solved: Adjustment, observations: Observations, prior: Prior,
               groups: Sequence[Candidate]) -> np.ndarray:
    """u of every group, at the stated covariances."""
    residuals = np.append(solved.residuals, solved.prior_residuals)
    blocks = [(rows, covariance) for g in observations.groups
              for rows, covariance in zip(g.rows, g.covariance, strict=True)]
    blocks.append((np.arange(len(solved.residuals), len(residuals)), prior.covariance))
    stated = {row: (number, i) for number, (rows, _) in enumerate(blocks)
              for i, row in enumerate(rows.tolist())}

    def covariance(one: int, other: int) -> float:
        (number, i), (same, j) = stated[one], stated[other]
        return blocks[number][1][i, j] if number == same else 0.0

    distances = []
    for group in groups:
        if group.rows:
            v = residuals[list(group.rows)]
            s = np.array([[covariance(i, j) for j in group.rows] for i in group.rows])
        else:
            j = list(group.readings)
            v = solved.corrections[group.block, j]
            s = observations.reading_covariance[group.block][np.ix_(j, j)]
        distances.append(np.sqrt(v @ np.linalg.solve(s, v) / len(v)))
    return np.array(distances)
