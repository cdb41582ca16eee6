"""What a plan is worth when any one pose is lost, or a corner in a third of the poses."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.plan.exchange import Pool

#: Random ways of losing one target in a third of the poses that are looked at.
_DRAWS = 20

#: Eigenvalues of the scaled information below this count as nothing known.
_NOTHING = 1e-12


@dataclass(frozen=True)
class Robustness:
    """The worst of what may happen.

    Attributes
    ----------
    pose : int
        The place whose loss hurts most.
    pose_lost, targets_lost : float
        Worst edge sd without that pose, and with a target lost in a third of the poses, m.
    undetermined : tuple of int
        Places whose loss would leave a combination undetermined that the whole plan determines.
    targets_undetermined : bool
        Whether some way of losing targets would.
    """

    pose: int
    pose_lost: float
    targets_lost: float
    undetermined: tuple[int, ...]
    targets_undetermined: bool


def robustness(
    pool: Pool, design, groups, without_target: Sequence[np.ndarray], by_parameters: np.ndarray,
    taped: np.ndarray, seed: int = 0,
) -> Robustness:
    """Look at every lost pose and at random lost targets.

    Parameters
    ----------
    without_target : sequence of ndarray
        For each target, the whitened rows of the design's poses without it, (places, m - 3, p + r).
    by_parameters : ndarray, shape (nodes, 3, p)
        Derivatives of the edge over the envelope.
    taped : ndarray
        The part of the pool's prior that a tape gives: what counts as determined must be so by
        the shots.
    """
    design, groups = np.asarray(design), np.asarray(groups)
    whole = pool.information(design, groups)
    rank = _rank(whole - taped)
    lost = []
    for place in range(len(design)):
        rest = np.arange(len(design)) != place
        information = pool.information(design[rest], groups[rest])
        lost.append((_worst(information, pool, by_parameters), _rank(information - taped) < rank))
    sds = np.array([sd for sd, _ in lost])
    draws = [
        _thinned(pool, design, groups, without_target, np.random.default_rng((seed, draw)))
        for draw in range(_DRAWS)
    ]
    return Robustness(
        pose=int(sds.argmax()),
        pose_lost=float(sds.max()),
        targets_lost=max(_worst(information, pool, by_parameters) for information in draws),
        undetermined=tuple(i for i, (_, bad) in enumerate(lost) if bad),
        targets_undetermined=any(_rank(information - taped) < rank for information in draws),
    )


def worst_sd(covariance, by_parameters) -> float:
    """Largest 3-D sd of the edge over nodes, m; `covariance` of the free parameters."""
    variances = np.einsum("nci,ij,ncj->n", by_parameters, covariance, by_parameters, optimize=True)
    return float(np.sqrt(variances.max()))


def _worst(information, pool, by_parameters):
    covariance = np.linalg.inv(information)[: pool.parameters, : pool.parameters]
    return worst_sd(covariance, by_parameters)


def _thinned(pool, design, groups, without_target, rng):
    """Information with one target lost in a third of the poses, any target in any pose."""
    information = pool.information(design, groups)
    hit = rng.choice(len(design), max(1, len(design) // 3), replace=False)
    for place, target in zip(hit, rng.integers(len(without_target), size=len(hit)), strict=True):
        columns = pool.columns(int(groups[place]))
        whole, left = pool.rows[design[place]], without_target[target][place]
        information[np.ix_(columns, columns)] += left.T @ left - whole.T @ whole
    return information


def _rank(information):
    scale = np.sqrt(np.maximum(np.diag(information), 0.0))
    scale = np.where(scale > 0, scale, 1.0)
    values = np.linalg.eigvalsh(information / np.outer(scale, scale))
    return int(np.sum(values > _NOTHING * max(values[-1], 0.0)))
