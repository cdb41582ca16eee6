"""What makes the misclosures of a block independent and of unit variance.

With S the covariance of a block's observations, Q that of its readings and B the derivatives by
them, its misclosures have the covariance M = B Q B' + S; G with ``G M G' = I`` whitens them.
"""

from collections.abc import Sequence
from typing import overload

import numpy as np

from calib.adjust.bordered import Bordered
from calib.adjust.observations import BlockGroup

#: Blocks whitened at a time.
_AT_A_TIME = 4096


def misclosure_covariance(covariance: np.ndarray, by_readings: np.ndarray,
                          reading_covariance: np.ndarray) -> np.ndarray:
    """M = B Q B' + S of a stack of blocks, shape (g, m, m).

    Parameters
    ----------
    covariance : ndarray, shape (g, m, m)
    by_readings : ndarray, shape (g, m, k)
    reading_covariance : ndarray, shape (g, k, k)
    """
    of_misclosures: np.ndarray = (
        covariance + by_readings @ reading_covariance @ by_readings.transpose(0, 2, 1))
    return of_misclosures


def whiteners_of(covariances: np.ndarray) -> np.ndarray:
    """G with ``G M G' = I`` for a stack of matrices, shape (g, m, m), lower triangular.

    Raises
    ------
    numpy.linalg.LinAlgError
        If a matrix is not positive definite.
    """
    return np.linalg.inv(np.linalg.cholesky(covariances))


def block_whiteners(groups: Sequence[BlockGroup], by_readings: np.ndarray,
                    reading_covariance: np.ndarray) -> list[np.ndarray]:
    """G of the blocks of each group, from B of all rows, (n, k), and Q, (n_blocks, k, k).

    Raises
    ------
    numpy.linalg.LinAlgError
        If a block's M is not positive definite.
    """
    return [whiteners_of(misclosure_covariance(group.covariance, by_readings[group.rows],
                                               reading_covariance[group.blocks]))
            for group in groups]


@overload
def whitened(groups: Sequence[BlockGroup], array: np.ndarray, whiteners: Sequence[np.ndarray]
             ) -> np.ndarray: ...
@overload
def whitened(groups: Sequence[BlockGroup], array: Bordered, whiteners: Sequence[np.ndarray]
             ) -> Bordered: ...
def whitened(groups: Sequence[BlockGroup], array: np.ndarray | Bordered,
             whiteners: Sequence[np.ndarray]) -> np.ndarray | Bordered:
    """Each block times its whitener.

    Parameters
    ----------
    groups : sequence of calib.adjust.observations.BlockGroup
    array : ndarray, shape (n,) or (n, p), or Bordered
    whiteners : sequence of ndarray, shape (g, m, m)
        Per group.
    """
    if isinstance(array, Bordered):
        return Bordered(array.sets, whitened(groups, array.values, whiteners))
    out = np.empty_like(array)
    for group, g in zip(groups, whiteners, strict=True):
        # Some blocks at a time: what is made on the way is then small.
        for first in range(0, len(g), _AT_A_TIME):
            rows, some = group.rows[first : first + _AT_A_TIME], g[first : first + _AT_A_TIME]
            block = array[rows]
            out[rows] = (some @ block[..., None])[..., 0] if array.ndim == 1 else some @ block
    return out
