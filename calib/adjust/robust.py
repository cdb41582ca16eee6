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
from calib.adjust.candidate import Candidate
from calib.adjust.mixed_model import NotConverged, adjust
from calib.adjust.observations import Model, Observations, Prior

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


def reweight(
    model: Model,
    observations: Observations,
    start: np.ndarray,
    groups: Sequence[Candidate],
    *,
    tuning: float = TUNING,
    names: Sequence[str] | None = None,
    prior: Prior | None = None,
    held: np.ndarray | None = None,
    corrections: np.ndarray | None = None,
) -> Reweighted:
    """Fit robustly.

    Parameters
    ----------
    groups : sequence of Candidate
        Disjoint; each with rows, with readings or with prior values. Values in none keep their
        weight.
    tuning : float
        Distance at which weights begin to fall, in standard deviations.
    model, observations, start, names, prior, held, corrections
        As for `calib.adjust.mixed_model.adjust`.

    Raises
    ------
    NotConverged
        If the weights do not settle.
    """
    weights, prior = np.ones(len(groups)), Prior.none() if prior is None else prior
    parameters = start
    for _ in range(_MOST_ROUNDS):
        solved = adjust(model, _weighted(observations, groups, weights), parameters, names=names,
                        prior=_weighted_prior(prior, groups, weights), held=held,
                        corrections=corrections)
        parameters, corrections = solved.parameters, solved.corrections
        u = _distances(solved, observations, prior, groups)
        new = np.minimum(1.0, tuning / np.maximum(u, 1e-12))
        if np.abs(new - weights).max(initial=0.0) < _SETTLED:
            labels = (group.label for group in groups)
            return Reweighted(dict(zip(labels, new.tolist(), strict=True)), parameters,
                              corrections)
        weights = new
    raise NotConverged(f"the robust weights still move after {_MOST_ROUNDS} rounds")


def _weighted(observations: Observations, groups: Sequence[Candidate], weights: np.ndarray
              ) -> Observations:
    """Observations with the variances of each group divided by its weight."""
    of_row = np.ones(len(observations.values))
    of_reading = np.ones(observations.readings.shape)
    for group, weight in zip(groups, weights, strict=True):
        of_row[list(group.rows)] = 1 / np.sqrt(weight)
        if group.readings:
            of_reading[group.block, list(group.readings)] = 1 / np.sqrt(weight)
    return observations.scaled(of_row, of_reading)


def _weighted_prior(prior: Prior, groups: Sequence[Candidate], weights: np.ndarray) -> Prior:
    of_value = np.ones(len(prior.values))
    for group, weight in zip(groups, weights, strict=True):
        of_value[list(group.priors)] = 1 / np.sqrt(weight)
    return replace(prior, covariance=prior.covariance * np.outer(of_value, of_value))


def _distances(solved: Adjustment, observations: Observations, prior: Prior,
               groups: Sequence[Candidate]) -> np.ndarray:
    """u of every group, at the stated covariances."""
    stated = {}
    for g in observations.groups:
        for rows, covariance in zip(g.rows, g.covariance, strict=True):
            for i, row in enumerate(rows):
                stated[row] = (rows[0], covariance, i)
    distances = []
    for group in groups:
        if group.rows:
            v = solved.residuals[list(group.rows)]
            s = np.array([[_covariance(stated[i], stated[j]) for j in group.rows]
                          for i in group.rows])
        elif group.priors:
            k = list(group.priors)
            v, s = solved.prior_residuals[k], prior.covariance[np.ix_(k, k)]
        else:
            j = list(group.readings)
            v = solved.corrections[group.block, j]
            s = observations.reading_covariance[group.block][np.ix_(j, j)]
        distances.append(np.sqrt(v @ np.linalg.solve(s, v) / len(v)))
    return np.array(distances)


def _covariance(one: tuple[int, np.ndarray, int], other: tuple[int, np.ndarray, int]) -> float:
    """Of two observations, each told as first row of its block, the block's covariance, place."""
    return one[1][one[2], other[2]] if one[0] == other[0] else 0.0
