"""What the engine is given: observations in blocks, readings, priors and a model."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from calib.adjust.bordered import Bordered

#: A reading with its sd so many times larger says next to nothing.
_POWERLESS = 1e4


class Model(Protocol):
    """Predicts observations from parameters and readings.

    ``model(parameters, readings) -> Prediction`` with `parameters` shape (p,) and `readings`
    shape (n_blocks, k).
    """

    def __call__(self, parameters: np.ndarray, readings: np.ndarray, /) -> "Prediction": ...


@dataclass(frozen=True)
class Prediction:
    """A model's prediction and its derivatives."""

    values: np.ndarray  #: Shape (n,).
    #: Shape (n, p). The design matrix A; bordered where there are many sets of rows with columns of
    #: their own.
    by_parameters: np.ndarray | Bordered
    #: Shape (n, k). The matrix B: each row by the readings of its own block.
    by_readings: np.ndarray


@dataclass(frozen=True)
class BlockGroup:
    """Blocks of equal size, stacked so that numpy treats them at once."""

    rows: np.ndarray  #: Int, shape (g, m). The observations of each block.
    blocks: np.ndarray  #: Int, shape (g,). Which row of the readings belongs to each block.
    covariance: np.ndarray  #: Shape (g, m, m).


@dataclass(frozen=True)
class Observations:
    """Observations in mutually independent blocks; each block has its own row of readings.

    Two observations are correlated when they share a block: through the block's covariance and
    through the errors of the readings they share. Make one with `Observations.build`.
    """

    values: np.ndarray  #: Shape (n,).
    groups: tuple[BlockGroup, ...]  #: Every row is in exactly one group.
    readings: np.ndarray  #: Shape (n_blocks, k), k = 0 where the model has no readings.
    reading_covariance: np.ndarray  #: Shape (n_blocks, k, k).
    #: Bool, shape (n,). Observations that are set aside: their errors are unknowns
    #: (`calib.adjust.aside`).
    aside: np.ndarray
    #: Bool, shape (n_blocks, k). Likewise; such a reading keeps its covariance, which then does not
    #: matter.
    readings_aside: np.ndarray

    @classmethod
    def build(
        cls,
        values: ArrayLike,
        block: ArrayLike,
        covariances: Sequence[np.ndarray],
        readings: ArrayLike | None = None,
        reading_covariance: ArrayLike | None = None,
        readings_aside: ArrayLike | None = None,
    ) -> "Observations":
        """Group blocks by size and check what was given.

        Parameters
        ----------
        values : array-like, shape (n,)
        block : array-like of int, shape (n,)
            Block 0 .. n_blocks - 1 of each observation; a block may be empty.
        covariances : sequence of array-like
            One matrix per block, its rows in the order of the block's observations.
        readings : array-like, shape (n_blocks, k), optional
        reading_covariance : array-like, shape (n_blocks, k, k), optional
        readings_aside : array-like of bool, shape (n_blocks, k), optional

        Raises
        ------
        ValueError
            For a size that does not fit, a value that is not finite, or a covariance that is not
            symmetric and positive definite.
        """
        values, block = np.array(values, float), np.array(block, int)
        n_blocks = len(covariances)
        if values.shape != block.shape:
            raise ValueError(f"{len(values)} observations but block numbers for {len(block)}")
        if block.size and not 0 <= block.min() <= block.max() < n_blocks:
            raise ValueError(f"block numbers {block.min()} to {block.max()} of {n_blocks} blocks")
        return cls.of_groups(values, _grouped(block, covariances), n_blocks, readings,
                             reading_covariance, readings_aside)

    @classmethod
    def of_groups(
        cls,
        values: ArrayLike,
        groups: Sequence[BlockGroup],
        n_blocks: int,
        readings: ArrayLike | None = None,
        reading_covariance: ArrayLike | None = None,
        readings_aside: ArrayLike | None = None,
    ) -> "Observations":
        """The same of blocks that are grouped already.

        Raises
        ------
        ValueError
            As `build`.
        """
        values = np.array(values, float)
        readings = np.zeros((n_blocks, 0)) if readings is None else np.array(readings, float)
        k = readings.shape[1]
        if reading_covariance is None:
            if k:
                raise ValueError(f"{k} readings per block but no covariance for them")
            reading_covariance = np.zeros((n_blocks, 0, 0))
        reading_covariance = np.array(reading_covariance, float)
        if readings.shape[0] != n_blocks or reading_covariance.shape != (n_blocks, k, k):
            raise ValueError(
                f"{n_blocks} blocks but readings {readings.shape} with covariance "
                f"{reading_covariance.shape}"
            )
        for name, array in (("observation", values), ("reading", readings)):
            if not np.isfinite(array).all():
                raise ValueError(f"{name} {np.argwhere(~np.isfinite(array))[0]} is not finite")
        for group in groups:
            check_covariance(group.covariance, f"blocks of {group.rows.shape[1]} observations")
        if k:
            check_covariance(reading_covariance, "the readings")
        nothing = np.zeros(readings.shape, bool)
        return cls(values, tuple(groups), readings, reading_covariance,
                   np.zeros(len(values), bool),
                   nothing if readings_aside is None else np.array(readings_aside, bool))

    @property
    def powerless_covariance(self) -> np.ndarray:
        """Of the readings, huge where they are set aside: for looks that eliminate nothing."""
        factor = np.where(self.readings_aside, _POWERLESS, 1.0)
        return self.reading_covariance * factor[:, :, None] * factor[:, None, :]

    def scaled(self, of_row: np.ndarray, of_reading: np.ndarray) -> "Observations":
        """The same with the sds of rows (n,) and of readings (n_blocks, k) or (k,) times these."""
        of_reading = np.broadcast_to(of_reading, self.readings.shape)
        return replace(
            self, groups=tuple(replace(g, covariance=g.covariance * of_row[g.rows][:, :, None]
                                       * of_row[g.rows][:, None]) for g in self.groups),
            reading_covariance=(self.reading_covariance * of_reading[:, :, None]
                                * of_reading[:, None, :]))


@dataclass(frozen=True)
class Prior:
    """Pseudo-observations of functions of the parameters, Gaussian."""

    names: tuple[str, ...]  #: One label per value, for tables and messages.
    values: np.ndarray  #: Shape (q,).
    covariance: np.ndarray  #: Shape (q, q).
    #: ``function(parameters) -> (h, H)``, shapes (q,) and (q, p).
    function: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]
    #: Bool, shape (q,). Values that are set aside, if any: their errors are unknowns.
    aside: np.ndarray | None = None

    @classmethod
    def none(cls) -> "Prior":
        """No prior at all."""
        return cls((), np.zeros(0), np.zeros((0, 0)), _nothing)


def _nothing(parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.zeros(0), np.zeros((0, len(parameters)))


def check_covariance(matrices: np.ndarray, of_what: str) -> None:
    """Refuse covariances (shape (g, m, m)) that are not symmetric and positive definite.

    Raises
    ------
    ValueError
        Naming the first bad one and what is wrong with it.
    """
    if not np.isfinite(matrices).all():
        raise ValueError(f"the covariance of {of_what} is not finite")
    scale = np.sqrt(np.abs(np.einsum("gii->gi", matrices)))
    allowed = 1e-9 * scale[:, :, None] * scale[:, None, :]
    if (np.abs(matrices - matrices.transpose(0, 2, 1)) > allowed).any():
        raise ValueError(f"the covariance of {of_what} is not symmetric")
    try:
        np.linalg.cholesky(matrices)
    except np.linalg.LinAlgError:
        raise ValueError(f"the covariance of {of_what} is not positive definite") from None


def _grouped(block: np.ndarray, covariances: Sequence[np.ndarray]) -> tuple[BlockGroup, ...]:
    order = np.argsort(block, kind="stable")
    sizes = np.bincount(block, minlength=len(covariances))
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    groups = []
    for size in np.unique(sizes[sizes > 0]).tolist():
        blocks = np.flatnonzero(sizes == size)
        stack = [np.asarray(covariances[b], float) for b in blocks.tolist()]
        for b, matrix in zip(blocks, stack, strict=True):
            if matrix.shape != (size, size):
                raise ValueError(
                    f"block {b} has {size} observations but a covariance of shape {matrix.shape}"
                )
        covariance = np.stack(stack)
        rows = order[starts[blocks][:, None] + np.arange(size)]
        groups.append(BlockGroup(rows, blocks, covariance))
    return tuple(groups)
