"""Rank and covariance of a whitened design matrix, by SVD of its column-scaled form."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.adjust.bordered import Compressed
from calib.adjust.tall import Tall

#: Singular values of the column-scaled matrix below this share of the largest count as zero.
#: Exact dependences of an analytic Jacobian come out near 1e-15, the weakest combinations worth
#: reporting near 1e-6.
RANK_TOLERANCE = 1e-9


@dataclass(frozen=True)
class Direction:
    """A combination of parameters: how much of each goes together, largest first."""

    names: tuple[str, ...]
    #: Shape (len(names),). In the parameters' own units, scaled so that the largest share is that
    #: of the first name.
    amounts: np.ndarray
    #: Shape (len(names),). Squared parts of the scaled direction, summing to at most 1.
    shares: np.ndarray

    def __str__(self) -> str:
        if len(self.names) == 1:
            return f"{self.names[0]} alone"
        return f"{', '.join(self.names[:-1])} and {self.names[-1]} together"


class NotDetermined(Exception):
    """Free combinations of parameters that neither observations nor priors fix.

    Attributes
    ----------
    directions : tuple of Direction
    nearly : bool
        Next to nothing fixes them, no more than the noise of the readings pretends.
    """

    def __init__(self, directions: Sequence[Direction], nearly: bool = False):
        self.directions, self.nearly = tuple(directions), nearly
        super().__init__(
            f"{'next to ' if nearly else ''}nothing fixes "
            + "; nor ".join(str(d) for d in self.directions)
        )


@dataclass(frozen=True)
class Spectrum:
    """SVD ``J diag(scale) = left diag(singular) right'`` of a whitened design matrix J."""

    singular: np.ndarray  #: Shape (p,). Largest first.
    right: np.ndarray  #: Shape (p, p). Columns are the right singular vectors.
    #: Shape (p,). One over the column norms, so that units do not matter; 1 for a column of zeros.
    #: Or what was given.
    scale: np.ndarray
    #: Shape (t, p). Left singular vectors of what was decomposed: of J, or of J compressed.
    inner: np.ndarray
    compressed: Compressed | Tall | None = None

    @classmethod
    def of(cls, design: np.ndarray | Compressed | Tall, scale: np.ndarray | None = None
           ) -> "Spectrum":
        """Decompose `design`, shape (n, p), already whitened to unit covariance."""
        compressed = None if isinstance(design, np.ndarray) else design
        if not isinstance(design, np.ndarray):
            design = design.triangle
        if scale is None:
            norms = np.sqrt(np.einsum("ij,ij->j", design, design))
            scale = 1.0 / np.where(norms > 0, norms, 1.0)
        n, p = design.shape
        scaled = design * scale
        if n < p:  # rows of zeros, so that the null directions of a short matrix appear as well
            scaled = np.vstack([scaled, np.zeros((p - n, p))])
        left, singular, right_t = np.linalg.svd(scaled, full_matrices=False)
        return cls(singular, right_t.T, scale, left[:n], compressed)

    @cached_property
    def left(self) -> np.ndarray:
        """Columns are the left singular vectors, shape (n, p)."""
        return self.inner if self.compressed is None else self.compressed.lift(self.inner)

    @cached_property
    def rank(self) -> int:
        if not self.singular.size:
            return 0
        return int(np.sum(self.singular > RANK_TOLERANCE * self.singular[0]))

    @property
    def deficient(self) -> bool:
        return self.rank < len(self.singular)

    @property
    def condition(self) -> float:
        """Condition number of the column-scaled matrix, inf when it is rank deficient."""
        if self.deficient:
            return np.inf
        return float(self.singular[0] / self.singular[-1]) if self.singular.size else 1.0

    def covariance(self) -> np.ndarray:
        """``(J'J)^-1``, shape (p, p); only of a matrix of full rank.

        Raises
        ------
        ValueError
            If the matrix is rank deficient: there is no covariance to give.
        """
        if self.deficient:
            raise ValueError(f"rank {self.rank} of {len(self.singular)}: no covariance")
        half = self.scale[:, None] * self.right / self.singular
        covariance: np.ndarray = half @ half.T
        return covariance

    def solution(self, misclosure: np.ndarray) -> np.ndarray:
        """The least-squares solution of ``J x = misclosure`` (shape (n,)), shape (p,)."""
        if self.compressed is not None:
            misclosure = self.compressed.lower(misclosure)
        solution: np.ndarray = self.scale * (
            self.right @ ((self.inner.T @ misclosure) / self.singular))
        return solution

    def null_directions(self, names: Sequence[str]) -> tuple[Direction, ...]:
        """The combinations that the matrix says nothing about, as sparse as pivoting makes them."""
        return self.directions(self.right[:, self.rank :], names)

    def directions(self, basis: np.ndarray, names: Sequence[str]) -> tuple[Direction, ...]:
        """What spans the same as `basis` (shape (p, d), scaled parameters), sparsely."""
        if not basis.shape[1]:
            return ()
        # One pivot parameter per direction, absent from the others: what a person can read.
        pivots = _pivots(basis)
        basis = basis @ np.linalg.inv(basis[pivots])
        return tuple(self.direction(basis[:, i], names) for i in range(basis.shape[1]))

    def direction(self, vector: np.ndarray, names: Sequence[str]) -> Direction:
        """A direction in scaled parameters (shape (p,)) in words: what has a share over 1 %."""
        unit = vector / np.linalg.norm(vector)
        order = np.argsort(-np.abs(unit).round(9), kind="stable")  # rounding decides no tie
        order = order[unit[order] ** 2 > 0.01]
        amounts = (self.scale * unit)[order]
        return Direction(
            tuple(names[i] for i in order), amounts / np.abs(amounts).max(), unit[order] ** 2
        )


def _pivots(basis: np.ndarray) -> list[int]:
    remaining, chosen = basis.copy(), []
    for _ in range(basis.shape[1]):
        norms = np.einsum("ij,ij->i", remaining, remaining)
        row = int(np.argmax(norms > (1 - 1e-6) * norms.max()))  # rounding decides no tie
        chosen.append(row)
        unit = remaining[row] / np.linalg.norm(remaining[row])
        remaining = remaining - np.outer(remaining @ unit, unit)
    return chosen
