"""The solution as correlated `uncertainties` numbers, and quantities derived from it.

Propagation is linear: a quantity whose slope vanishes at the solution comes out with sd 0.
"""

import numpy as np
from numpy.typing import ArrayLike
from uncertainties import UFloat, correlated_values_norm
from uncertainties.core import AffineScalarFunc, LinearCombination

from calib.calibration import HOUSE_PLACEMENT, Solution
from calib.chain.derived import derived_values


def correlated_numbers(values: ArrayLike, covariance: ArrayLike) -> list[UFloat]:
    """Correlated numbers from values and their covariance, checked before they are believed.

    Parameters
    ----------
    values : array-like, shape (p,)
    covariance : array-like, shape (p, p)
        Zero rows (held parameters) give numbers with sd 0.

    Raises
    ------
    ValueError
        For a size that does not fit, an asymmetric matrix, or one that is not positive
        semi-definite: `uncertainties` would take all three without a word.
    """
    values, covariance = np.asarray(values, float), np.asarray(covariance, float)
    if covariance.shape != (len(values), len(values)):
        raise ValueError(f"{len(values)} values but a covariance of shape {covariance.shape}")
    if not (np.isfinite(values).all() and np.isfinite(covariance).all()):
        raise ValueError("values and covariance must be finite")
    variances = np.diag(covariance)
    if (variances < 0).any():
        raise ValueError("a variance is negative")
    sd = np.sqrt(variances)
    free = sd > 0
    scale = np.outer(sd[free], sd[free])
    correlation = covariance[np.ix_(free, free)] / scale
    if np.abs(correlation - correlation.T).max(initial=0.0) > 1e-9:
        raise ValueError("the covariance is not symmetric")
    if covariance[~free].any() or covariance[:, ~free].any():
        raise ValueError("a number without variance is correlated with another")
    if free.any() and np.linalg.eigvalsh(correlation)[0] < -1e-9:
        raise ValueError("the covariance is not positive semi-definite")
    # The correlation form keeps lengths and angles of very different size apart.
    numbers = iter(correlated_values_norm(
        list(zip(values[free], sd[free], strict=True)), (correlation + correlation.T) / 2
    ) if free.any() else ())
    return [
        next(numbers) if is_free else AffineScalarFunc(value, LinearCombination({}))
        for value, is_free in zip(values, free, strict=True)
    ]


def unknowns(solution: Solution) -> dict[str, UFloat]:
    """Every unknown by name, m or rad: rig parameters, then four per stand."""
    adjustment = solution.adjustment
    numbers = correlated_numbers(adjustment.parameters, adjustment.covariance)
    return dict(zip(adjustment.names, numbers, strict=True))


def derived(solution: Solution) -> dict[str, UFloat]:
    """The rig's derived quantities, m or rad, correlated with each other.

    Those of points that no shot tells the place of are left out.
    """
    values, gradient = derived_values(solution.rig, solution.parameters)
    numbers = correlated_numbers(values, _symmetric(gradient @ solution.covariance @ gradient.T))
    return {d.name: number for d, number in zip(solution.rig.derived, numbers, strict=True)
            if d.name not in solution.rig.untold}


def position(solution: Solution, target: str, readings: ArrayLike) -> tuple[UFloat, UFloat, UFloat]:
    """Where a target is at given readings, in the levelled house frame: forward, left, up.

    Parameters
    ----------
    target : str
        A target's name.
    readings : array-like, shape (n_readings,), rad
        Taken as exact: the sd is what the calibration leaves uncertain.
    """
    rig = solution.rig
    posture = rig.chain.posture(solution.parameters, HOUSE_PLACEMENT, np.asarray(readings)[None])
    points = posture.points(np.array([rig.target_names.index(target)]), np.array([0]))
    jacobian = points.by_parameters[0]
    forward, left, up = correlated_numbers(
        points.position[0], _symmetric(jacobian @ solution.covariance @ jacobian.T)
    )
    return forward, left, up


def _symmetric(matrix):
    return (matrix + matrix.T) / 2
