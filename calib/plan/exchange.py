"""Choosing rows of a design by exchange, on the information matrix.

The candidates are blocks of whitened design rows; a design is a list of candidates, each dealt to a
group (a stand) with nuisance unknowns of its own. Two criteria: the determinant of the information
(D) and the mean variance of linear functions of the parameters (L; the mean over the working
envelope makes it the integrated form of the G-criterion). A candidate is weighed by a low-rank
update of the inverse, all candidates at once. V. V. Fedorov, *Theory of Optimal Experiments*,
Academic Press 1972; A. C. Atkinson and A. N. Donev, *Optimum Experimental Designs*, Oxford 1992
(exchange; both from memory).
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class Pool:
    """What a design is chosen from."""

    rows: np.ndarray  #: Shape (n, m, k). Whitened design of each candidate.
    prior: np.ndarray  #: Shape (u, u). Information that is there before, about all unknowns.
    #: Int, shape (groups, k). Which unknowns the rows are about in each group: the same parameters,
    #: the first of all unknowns, and then the group's own.
    columns: np.ndarray
    #: Int, shape (n,). How many rows of a candidate, the first, are not zero; all m if not given.
    heights: np.ndarray | None = None
    #: Int, shape (n,). Candidates of the same pose are not used together; each is its own if not
    #: given.
    pose: np.ndarray | None = None
    #: Shape (n,). What a candidate takes; empty where that does not matter.
    minutes: np.ndarray = field(default_factory=lambda: np.empty(0))

    @property
    def groups(self) -> int:
        """How many there are."""
        return len(self.columns)

    @property
    def own_pose(self) -> np.ndarray:
        """The pose of each candidate, shape (n,)."""
        return np.arange(len(self.rows)) if self.pose is None else self.pose

    def blocks(self, chosen: np.ndarray | slice
               ) -> Iterator[tuple[np.ndarray | slice, np.ndarray]]:
        """Some candidates by height: (where among the chosen, their rows without zero ones)."""
        rows = self.rows[chosen]
        if self.heights is None:
            yield slice(None), rows
            return
        heights = self.heights[chosen]
        for height in np.unique(heights):
            where = np.flatnonzero(heights == height)
            yield where, rows[where, :height]

    def information(self, candidates: ArrayLike, groups: ArrayLike) -> np.ndarray:
        """Information of a design: candidates and the group of each."""
        total = self.prior.copy()
        for group, columns in enumerate(self.columns):
            rows = self.rows[np.asarray(candidates, int)[np.asarray(groups) == group]]
            total[np.ix_(columns, columns)] += np.einsum("kmi,kmj->ij", rows, rows)
        return total


#: ``criterion(pool, covariance, group, chosen) -> gains``: what each of some candidates (an index,
#: or a slice for all) would gain.
Criterion = Callable[[Pool, np.ndarray, int, np.ndarray | slice], np.ndarray]


def determinant_gain(pool: Pool, covariance: np.ndarray, group: int, chosen: np.ndarray | slice
                     ) -> np.ndarray:
    """Growth of log det of the information by adding each candidate, shape (k,)."""
    return _each(pool, covariance, group, chosen,
                 lambda rows, inner: np.linalg.slogdet(inner)[1])


def mean_variance(form: np.ndarray, covariance: np.ndarray) -> float:
    """``trace(form @ covariance)`` over the parameters, the first of the unknowns."""
    p = len(form)
    return float(np.einsum("ij,ji->", form, covariance[:p, :p]))


def variance_gain(form: np.ndarray) -> Criterion:
    """Criterion: fall of ``trace(form @ covariance)`` over the parameters; `form` is (p, p)."""
    values, vectors = np.linalg.eigh(form)
    keep = values > 1e-12 * values[-1]
    factor = vectors[:, keep] * np.sqrt(values[keep])

    def gain(pool, covariance, group, chosen):
        across = covariance[pool.columns[group], : len(form)] @ factor

        def fall(rows, inner):
            moved = rows @ across
            return np.einsum("kmi,kmi->k", moved, np.linalg.solve(inner, moved))

        return _each(pool, covariance, group, chosen, fall)

    return gain


def worst_gain(by_parameters: np.ndarray) -> Criterion:
    """Criterion: fall of the largest variance over nodes; `by_parameters` is (nodes, 3, p)."""

    def gain(pool, covariance, group, chosen):
        p = by_parameters.shape[2]
        before = np.einsum("nci,ij,ncj->n", by_parameters, covariance[:p, :p], by_parameters,
                           optimize=True)
        across, flat = covariance[pool.columns[group], :p], by_parameters.reshape(-1, p).T

        def fall(rows, inner):
            lower, gains = _lower(inner), np.empty(len(rows))
            for i in range(0, len(rows), 50):
                moved = np.linalg.solve(lower[i : i + 50], rows[i : i + 50] @ across) @ flat
                lost = np.einsum("kmn,kmn->kn", moved, moved).reshape(len(moved), len(before), -1)
                gains[i : i + 50] = before.max() - (before - lost.sum(2)).max(1)
            return gains

        return _each(pool, covariance, group, chosen, fall)

    return gain


def _lower(inner):
    """Roots L with L L' = inner, (k, m, m); any that can be solved with.

    No eigenvalue of I + rows C rows' is below 1: where next to nothing is known yet, C is so large
    that rounding makes it seem so.
    """
    try:
        return np.linalg.cholesky(inner)
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh((inner + inner.transpose(0, 2, 1)) / 2)
        return vectors * np.sqrt(np.maximum(values, 1.0))[:, None, :]


def _each(pool, covariance, group, chosen, gain):
    """``gain(rows, I + rows C rows')`` of some candidates, shape (k,)."""
    columns = pool.columns[group]
    own = covariance[np.ix_(columns, columns)]
    gains = np.empty(len(pool.own_pose[chosen]))
    for where, rows in pool.blocks(chosen):
        inner = (rows @ own) @ rows.transpose(0, 2, 1)
        inner[:, np.arange(rows.shape[1]), np.arange(rows.shape[1])] += 1.0
        gains[where] = gain(rows, inner)
    return gains


def add(pool: Pool, information: np.ndarray, candidate: int, group: int, sign: int) -> None:
    """Add a candidate's information in place, or take it away."""
    columns, rows = pool.columns[group], pool.rows[candidate]
    information[np.ix_(columns, columns)] += sign * (rows.T @ rows)
