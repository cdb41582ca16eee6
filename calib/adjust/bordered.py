"""Designs of which most columns belong to one set of rows each, compressed set by set.

Where every row has its own set, and a set its own few columns beside those that all share, the
design is

    | L1          G1 |
    |     L2      G2 |
    |         ..  .. |

Orthogonal transformations of the rows of each set, then of what is left of all of them, make of it
a matrix with no more rows than columns: with Q' J = T, T has the singular values and the right
singular vectors of J, Q carries over the left ones, and a least-squares step from T and Q' r is
that from J and r. This is block angular least squares: A. Bjorck, *Numerical Methods for Least
Squares Problems*, SIAM 1996, section 6.3 (from memory); elimination of the columns of a set as
in F. R. Helmert, *Die Ausgleichungsrechnung*, 1872 (from memory).
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Sets:
    """Which set each row belongs to, and which columns each set has."""

    of_row: np.ndarray  #: Int, shape (n,).
    #: Int, shape (n_sets, k). Columns of each set, -1 where a set has fewer than others.
    local: np.ndarray
    shared: np.ndarray  #: Int, shape (s,). The other columns.

    @property
    def size(self) -> int:
        """Number of columns."""
        return int((self.local >= 0).sum()) + len(self.shared)

    @cached_property
    def rows(self) -> np.ndarray:
        """Rows of each set, shape (n_sets, m); the number of rows stands for a row of zeros."""
        n_sets, k = self.local.shape
        counts = np.bincount(self.of_row, minlength=n_sets)
        order = np.argsort(self.of_row, kind="stable")
        place = np.arange(len(order)) - np.repeat(np.cumsum(counts) - counts, counts)
        rows = np.full((n_sets, max(counts.max(initial=0), k)), len(order))
        rows[self.of_row[order], place] = order
        return rows

    def only(self, kept: np.ndarray) -> "Sets":
        """Without the shared columns that are not `kept` (bool, shape (size,)).

        Raises
        ------
        ValueError
            If a set would lose a column.
        """
        if not kept[self.local[self.local >= 0]].all():
            raise ValueError("a set cannot lose a column of its own")
        number = np.append(np.cumsum(kept) - 1, -1)
        return Sets(self.of_row, number[self.local], number[self.shared[kept[self.shared]]])


@dataclass(frozen=True)
class Bordered:
    """A matrix with columns of sets and shared ones."""

    sets: Sets
    #: Shape (n, k + s). Each row by the columns of its set (0 where it has fewer), then by the
    #: shared columns.
    values: np.ndarray

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> np.ndarray:
        """All columns, shape (n, size)."""
        k, n = self.sets.local.shape[1], len(self.values)
        dense = np.zeros((n, self.sets.size + 1))
        dense[:, self.sets.shared] = self.values[:, k:]
        dense[np.arange(n)[:, None], self.sets.local[self.sets.of_row]] = self.values[:, :k]
        return dense[:, :-1]

    def times(self, vector: np.ndarray) -> np.ndarray:
        """The matrix times a vector, shape (n,)."""
        own = np.append(vector, 0.0)[self.sets.local][self.sets.of_row]
        k = own.shape[1]
        product: np.ndarray = (np.einsum("ij,ij->i", self.values[:, :k], own)
                               + self.values[:, k:] @ vector[self.sets.shared])
        return product

    def only(self, kept: np.ndarray) -> "Bordered":
        """Without the shared columns that are not `kept` (bool, shape (size,))."""
        k = self.sets.local.shape[1]
        wanted = np.append(np.ones(k, bool), kept[self.sets.shared])
        return Bordered(self.sets.only(kept), self.values[:, wanted])


@dataclass(frozen=True)
class Compressed:
    """Q and T of a bordered matrix J over some further rows H: ``J = Q T``, H as it is."""

    sets: Sets
    of_sets: np.ndarray  #: Shape (n_sets, m, c). Q of each set.
    #: Shape (n_sets * (c - k), d). Q of what the sets leave to the shared columns.
    of_rest: np.ndarray
    triangle: np.ndarray  #: Shape (t, size). T over H.
    below: int  #: How many rows H has.

    @classmethod
    def of(cls, matrix: Bordered, below: np.ndarray) -> "Compressed":
        """Compress a matrix that stands over `below`, shape (q, size)."""
        sets = matrix.sets
        (n_sets, k), s = sets.local.shape, len(sets.shared)
        of_sets, r = np.linalg.qr(_with_zeros(matrix.values)[sets.rows])
        of_rest, rest = np.linalg.qr(r[:, k:, k:].reshape(n_sets * (r.shape[1] - k), s))
        triangle = np.zeros((n_sets, k, sets.size + 1))
        triangle[np.arange(n_sets)[:, None], :, sets.local] = r[:, :k, :k].transpose(0, 2, 1)
        triangle[:, :, sets.shared] = r[:, :k, k:]
        shared = np.zeros((len(rest), sets.size))
        shared[:, sets.shared] = rest
        whole = np.concatenate([triangle[:, :, :-1].reshape(-1, sets.size), shared, below])
        return cls(sets, of_sets, of_rest, whole, len(below))

    def lower(self, vector: np.ndarray) -> np.ndarray:
        """Q' of a vector over the rows of J and H, shape (t,)."""
        n, k = len(vector) - self.below, self.sets.local.shape[1]
        top, below = vector[:n], vector[n:]
        parts = np.einsum("gmc,gm->gc", self.of_sets, np.append(top, 0.0)[self.sets.rows])
        return np.concatenate([
            parts[:, :k].ravel(), self.of_rest.T @ parts[:, k:].ravel(), below])

    def lift(self, matrix: np.ndarray) -> np.ndarray:
        """Q times a matrix (or a vector) of t rows: over the rows of J and H."""
        columns = matrix.reshape(len(matrix), int(np.prod(matrix.shape[1:])))
        t, (n_sets, k) = len(matrix) - self.below, self.sets.local.shape
        local = columns[: n_sets * k].reshape(n_sets, k, columns.shape[1])
        rest = (self.of_rest @ columns[n_sets * k : t]).reshape(
            n_sets, self.of_sets.shape[2] - k, columns.shape[1])
        out = np.empty((len(self.sets.of_row) + 1, columns.shape[1]))
        out[self.sets.rows] = self.of_sets @ np.concatenate([local, rest], axis=1)
        return np.concatenate([out[:-1], columns[t:]]).reshape(-1, *matrix.shape[1:])


def _with_zeros(array: np.ndarray) -> np.ndarray:
    return np.vstack([array, np.zeros((1, array.shape[1]))])
