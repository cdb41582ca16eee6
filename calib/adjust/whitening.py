"""What makes the misclosures of a block independent and of unit variance.

With S the covariance of a block's observations, Q that of its readings and B the derivatives by
them, its misclosures have the covariance M = B Q B' + S; G with ``G M G' = I`` whitens them.
"""

import numpy as np


def misclosure_covariance(covariance, by_readings, reading_covariance) -> np.ndarray:
    """M = B Q B' + S of a stack of blocks, shape (g, m, m).

    Parameters
    ----------
    covariance : ndarray, shape (g, m, m)
    by_readings : ndarray, shape (g, m, k)
    reading_covariance : ndarray, shape (g, k, k)
    """
    return covariance + by_readings @ reading_covariance @ by_readings.transpose(0, 2, 1)


def whiteners_of(covariances) -> np.ndarray:
    """G with ``G M G' = I`` for a stack of matrices, shape (g, m, m), lower triangular.

    Raises
    ------
    numpy.linalg.LinAlgError
        If a matrix is not positive definite.
    """
    return np.linalg.inv(np.linalg.cholesky(covariances))
