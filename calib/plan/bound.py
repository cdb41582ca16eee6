"""How far from optimal a design can be, by the equivalence theorem.

J. Kiefer and J. Wolfowitz, "The equivalence of two extremum problems", Canad. J. Math. 12 (1960)
363-366; for criteria linear in the covariance F. Pukelsheim, *Optimal Design of Experiments*, Wiley
1993, chapter 7 (from memory). Both criteria are concave in the information N, so the tangent at any
design, weighted as one likes, lies above the best of all designs. With C = N^-1, N0 the prior, I
the information of one candidate, p unknowns, and sums over the places of the design:

    log det N* <= log det N + p log(total / p),    total = tr(C N0) + sum of max tr(C I)
    tr(L C*)   >= tr(L C)^2 / total,               total = tr(L C N0 C) + sum of max tr(C L C I)

Where candidates take minutes c_i and a design so many minutes in all, weights are minutes: a
candidate is worth I / c_i per minute, and the sum goes over minutes (V. V. Fedorov and
S. L. Leonov, *Optimal Design for Nonlinear Response Models*, CRC 2014, on cost-based designs, from
memory). The tangent is taken at a design with continuous weights that is close to the best.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from calib.plan.exchange import Pool

#: Rounds of widening the support, steps of re-weighting in each, candidates added per round.
_ROUNDS, _STEPS, _ADDED = 8, 40, 40


def determinant_efficiency(pool: Pool, design: ArrayLike, groups: ArrayLike) -> float:
    """At least this share of the best determinant, as (det N / det N*)^(1/p).

    The best design with continuous weights and the same number of places, or minutes, per group.
    """
    p = len(pool.prior)
    reached = np.linalg.slogdet(pool.information(design, groups))[1]

    def bound(information, covariance, total):
        return np.linalg.slogdet(information)[1] + p * np.log(total / p)

    least = _tightest(pool, design, groups, lambda covariance: covariance, bound, power=1.0)
    return float(min(1.0, np.exp((reached - least) / p)))


def least_variance(pool: Pool, design: ArrayLike, groups: ArrayLike, form: np.ndarray) -> float:
    """No design with the same places, or minutes, per group has a smaller ``trace(form @ C)``.

    Parameters
    ----------
    design, groups
        A good design, to start from.
    form : ndarray, shape (p, p)
        Over the parameters.
    """
    padded = np.zeros_like(pool.prior)
    padded[: len(form), : len(form)] = form

    def bound(information, covariance, total):
        return -np.einsum("ij,ji->", padded, covariance) ** 2 / total

    # The best of upper bounds of the concave criterion, here minus the variance.
    return float(-_tightest(pool, design, groups, lambda covariance: covariance @ padded
                            @ covariance, bound, power=0.5))


def _tightest(pool, design, groups, gradient, bound, power):
    """The smallest upper bound met while weights are moved towards the best design's.

    Multiplicative weights (D. M. Titterington 1976; square root for traces: S. D. Silvey,
    D. M. Titterington and B. Torsney 1978, from memory) on a support that grows by the candidates
    that the tangent calls best.
    """
    design, groups = np.asarray(design), np.asarray(groups)
    minutes = pool.minutes if len(pool.minutes) else np.ones(len(pool.rows))
    pool = replace(pool, rows=pool.rows / np.sqrt(minutes)[:, None, None])
    places = np.bincount(groups, minutes[design], minlength=pool.groups)
    support = np.unique(design)
    weights = np.array([np.bincount(np.searchsorted(support, design[groups == g]),
                                    minutes[design[groups == g]], len(support)) / max(n, 1e-9)
                        for g, n in enumerate(places)])
    best = np.inf
    for _ in range(_ROUNDS):
        information = _weighted(pool, support, weights, places)
        covariance = np.linalg.inv(information)
        slope = gradient(covariance)
        traces = [_traces(pool, slope, g) for g in range(pool.groups)]
        total = np.einsum("ij,ji->", slope, pool.prior)
        total += sum(n * t.max() for n, t in zip(places, traces, strict=True))
        best = min(best, bound(information, covariance, total))
        support, weights = _widened(support, weights, traces)
        for _ in range(_STEPS):
            covariance = np.linalg.inv(_weighted(pool, support, weights, places))
            slope = gradient(covariance)
            for g in range(pool.groups):
                weights[g] *= _traces(pool, slope, g, support) ** power
                weights[g] /= weights[g].sum()
    return best


def _widened(support, weights, traces):
    """The support with the candidates that promise most, and a little weight on every one."""
    new = np.unique(np.concatenate([np.argsort(-t)[:_ADDED] for t in traces]))
    wider = np.union1d(support, new)
    moved = np.full((len(weights), len(wider)), 0.1 / len(wider))
    moved[:, np.searchsorted(wider, support)] += 0.9 * weights
    return wider, moved


def _weighted(pool, support, weights, places):
    information = pool.prior.copy()
    for group, n in enumerate(places):
        columns, rows = pool.columns[group], pool.rows[support]
        scaled = rows * np.sqrt(n * weights[group])[:, None, None]
        flat = scaled.reshape(-1, scaled.shape[2])
        information[np.ix_(columns, columns)] += flat.T @ flat
    return information


def _traces(pool, matrix, group, chosen=slice(None)):
    """``trace(matrix I)`` of candidates' information I in a group."""
    columns = pool.columns[group]
    own = matrix[np.ix_(columns, columns)]
    traces = np.empty(len(pool.own_pose[chosen]))
    for where, rows in pool.blocks(chosen):
        traces[where] = np.einsum("kmi,kmi->k", rows @ own, rows)
    # Rounding, where next to nothing is known, makes some of them less.
    return np.maximum(traces, 0.0)
