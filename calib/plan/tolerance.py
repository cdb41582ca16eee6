"""How far off a planned reading may be before the plan loses by it."""

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from calib.plan.candidates import ARM, feasible, joints_at
from calib.plan.exchange import add, mean_variance, variance_gain
from calib.plan.sight import can_be_shot

if TYPE_CHECKING:
    from calib.plan.plan import Plan

#: Deviations that are tried, deg, and the growth of the mean edge sd, over all poses, that is still
#: fine: every pose has its equal share of it.
TRIED = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0)
FINE = 0.05


def reading_tolerances(plan: "Plan") -> np.ndarray:
    """Largest deviation tried, down and up, of each reading that is still fine.

    It costs less than its pose's share of `FINE` of the mean edge sd, and the pose can still be
    shot. One reading of one pose at a time, the others as planned: what a person at the display
    sees.

    Returns
    -------
    ndarray, shape (n_poses, n_readings, 2), rad, or m of a stroke
        0 where even the least deviation is too much, NaN for what nobody drives.
    """
    task, pool, form, readings = plan.prepared.task, plan.pool, plan.prepared.form, plan.readings
    rig, n = task.rig, len(readings)
    driven = [i for i, r in enumerate(rig.readings) if r.speed is not None]
    steps = np.radians([[-step for step in TRIED], TRIED])
    arms = [1.0 if rig.readings[i].unit == "deg" else ARM for i in driven]
    moved = np.broadcast_to(readings[:, None, None, None],
                            (n, len(driven), *steps.shape, readings.shape[1])).copy()
    for k, reading in enumerate(driven):
        moved[:, k, :, :, reading] += arms[k] * steps
    flat = moved.reshape(-1, readings.shape[1])
    shot, noted = (np.repeat(each, len(flat) // n, axis=0) for each in (plan.shots, plan.noted))
    rows = task.rows(flat, shot, noted)
    rows = rows.reshape(n, -1, *rows.shape[1:])
    fine = _possible(task, joints_at(rig, task.parameters, flat), shot).reshape(n, -1)
    gain, before = variance_gain(form), mean_variance(form, np.linalg.inv(plan.information))
    for place, group in enumerate(plan.stand.tolist()):
        rest = plan.information.copy()
        add(pool, rest, plan.design[place], group, -1)
        covariance = np.linalg.inv(rest)
        others = replace(pool, rows=rows[place], heights=None, pose=None)
        after = mean_variance(form, covariance) - gain(others, covariance, group, slice(None))
        fine[place] &= np.sqrt(after / before) < 1 + FINE / n
    fine = fine.reshape(moved.shape[:-1])
    reached = np.cumprod(fine, axis=3).sum(3)
    tolerances = np.full((n, len(rig.readings), 2), np.nan)
    tolerances[:, driven] = np.radians(np.concatenate([[0.0], TRIED]))[reached] * np.array(
        arms)[:, None]
    return tolerances


def _possible(task, joints, shot):
    """Mask of poses within the rules in which all that is shot can be shot."""
    targets = np.array(task.targets)
    on_edge = np.isin(targets, task.rig.edge_targets)
    rules = feasible(task.rig, task.parameters, joints,
                     targets[on_edge] if on_edge.any() else targets, task.site)
    seen = can_be_shot(task.rig, task.parameters, joints, targets, task.site)
    return rules & (seen | ~shot).all(1)
