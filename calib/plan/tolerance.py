"""How far off a planned reading may be before the plan loses by it."""

import numpy as np

from calib.chain.rig import Rig
from calib.plan.exchange import Pool
from calib.plan.information import Noise, pose_rows

#: Deviations that are tried, deg, and the growth of the mean edge sd that is still fine.
TRIED = (2.0, 5.0, 10.0, 15.0, 20.0)
FINE = 0.01


def reading_tolerances(
    rig: Rig, parameters, readings, targets, noise: Noise, pool: Pool, design, groups, form
) -> np.ndarray:
    """Largest deviation tried of each reading that costs less than `FINE` of the mean edge sd.

    One reading of one pose at a time, to both sides, the others as planned: what a person at the
    display sees. Other poses are taken as planned.

    Returns
    -------
    ndarray, shape (n_poses, n_readings), rad; 0 where even the least deviation costs more, NaN for
    what nobody drives.
    """
    n, driven = len(readings), [i for i, r in enumerate(rig.readings) if r.speed is not None]
    steps = np.radians([sign * step for step in TRIED for sign in (-1, 1)])
    moved = np.broadcast_to(
        readings[:, None, None], (n, len(driven), len(steps), readings.shape[1])).copy()
    for k, reading in enumerate(driven):
        moved[:, k, :, reading] += steps
    rows = pose_rows(rig, parameters, moved.reshape(-1, readings.shape[1]), targets, noise)
    rows = rows.reshape(n, len(driven) * len(steps), *rows.shape[1:])
    tolerances = np.full((n, len(rig.readings)), np.nan)
    information = pool.information(design, groups)
    before = _mean_variance(np.linalg.inv(information), form)
    for place in range(n):
        after = _variances_with(pool, information, design[place], int(groups[place]), rows[place],
                                form)
        fine = (np.sqrt(after / before) < 1 + FINE).reshape(len(driven), len(TRIED), 2).all(2)
        reached = np.cumprod(fine, axis=1).sum(1)
        tolerances[place, driven] = np.radians(np.concatenate([[0.0], TRIED]))[reached]
    return tolerances


def _mean_variance(covariance, form):
    p = len(form)
    return float(np.einsum("ij,ji->", form, covariance[:p, :p]))


def _variances_with(pool, information, present, group, rows, form):
    """Mean variance with a place's rows replaced by each of some others, shape (k,)."""
    columns = pool.columns(group)
    rest = information.copy()
    rest[np.ix_(columns, columns)] -= pool.rows[present].T @ pool.rows[present]
    covariance = np.linalg.inv(rest)
    p = len(form)
    inner = rows @ covariance[np.ix_(columns, columns)] @ rows.transpose(0, 2, 1)
    inner[:, np.arange(rows.shape[1]), np.arange(rows.shape[1])] += 1.0
    moved = rows @ covariance[columns][:, :p]
    fall = np.linalg.solve(inner, moved @ form @ moved.transpose(0, 2, 1))
    return _mean_variance(covariance, form) - np.einsum("kii->k", fall)
