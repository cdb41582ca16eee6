"""The 95 % intervals of a rig's parameters: linear, or the likelihood's where that bends."""

from typing import NamedTuple

import numpy as np

from calib.adjust.curved import bent, likelihood_interval
from calib.adjust.distributions import normal_ppf
from calib.adjust.threads import one_thread
from calib.calibration import Solution
from calib.layout import RIG


class Intervals(NamedTuple):
    """Ends per rig parameter, shape (n_parameters,), m or rad, and whose are the likelihood's."""

    low: np.ndarray
    high: np.ndarray
    bent: np.ndarray


@one_thread
def intervals(solution: Solution) -> Intervals:
    """Of a solution's parameters; a held one is as wide as nothing."""
    problem, adjustment, value = solution.problem, solution.adjustment, solution.parameters
    half = normal_ppf(0.975) * np.sqrt(np.diag(solution.covariance))
    low, high, columns = value - half, value + half, problem.layout.columns(RIG, "")
    told = np.array([status == "estimated" for status in solution.status])
    told[told] = bent(problem.values, adjustment, columns[told])
    for i in np.flatnonzero(told):
        low[i], high[i] = likelihood_interval(problem.model, adjustment, columns[i])
    return Intervals(low, high, told)
