"""Designs of many rows, reduced to a triangle some rows at a time.

With J = Q R, R has the singular values and right singular vectors of J; a least-squares step from
R and Q' r is that from J and r. R is made by orthogonal transformations of a few thousand rows
after the other (sequential QR: A. Bjorck, *Numerical Methods for Least Squares Problems*, SIAM
1996, section 6.2, from memory). Q is never formed: Q = J R^-1 is applied where it is asked for.
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

#: Designs with fewer rows are as quickly decomposed at once.
MANY = 4096

#: Rows taken at a time.
_AT_A_TIME = 2048


@dataclass(frozen=True)
class Tall:
    """R of a design J over some further rows H; the same questions as a `Compressed` answers."""

    matrix: np.ndarray  #: Shape (n, p). J.
    below: np.ndarray  #: Shape (q, p). H.
    triangle: np.ndarray  #: Shape (p, p). R.

    @classmethod
    def of(cls, matrix: np.ndarray, below: np.ndarray) -> "Tall":
        """Reduce a matrix that stands over `below`."""
        triangle = below
        for first in range(0, len(matrix), _AT_A_TIME):
            rows = matrix[first : first + _AT_A_TIME]
            triangle = np.asarray(np.linalg.qr(np.concatenate([triangle, rows]), mode="r"))
        return cls(matrix, below, triangle)

    def lower(self, vector: np.ndarray) -> np.ndarray:
        """Q' of a vector over the rows of J and H, shape (p,)."""
        n = len(self.matrix)
        pulled = self.matrix.T @ vector[:n] + self.below.T @ vector[n:]
        found: np.ndarray = solve_triangular(self.triangle, pulled, trans="T")
        return found

    def lift(self, matrix: np.ndarray) -> np.ndarray:
        """Q times a matrix (or a vector) of p rows: over the rows of J and H."""
        inner = solve_triangular(self.triangle, matrix)
        return np.concatenate([self.matrix @ inner, self.below @ inner])
