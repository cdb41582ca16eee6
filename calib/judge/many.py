"""Many bad shots at once: found by robust re-weighting, confirmed by a plain solution.

One-at-a-time snooping tires where a good part of the shots is wrong: they hide each other. A robust
fit only says which shots to doubt. They are left out, the rest is solved plainly, and a doubted
shot that the rest predicts within its limit is taken back.
"""

from dataclasses import dataclass

import numpy as np

from calib.adjust.critical import equal_power_limit
from calib.adjust.mixed_model import ModelNotFinite, NotConverged
from calib.adjust.robust import reweight
from calib.adjust.snooping import Candidate
from calib.adjust.spectrum import NotDetermined
from calib.calibration import Solution, solve
from calib.judge.check import check_shots
from calib.judge.set_aside import SetAside, without
from calib.run.complaints import InputError

#: A shot with less weight than this is doubted.
DOUBTED = 0.5


@dataclass(frozen=True)
class BadShot:
    """A shot that the rest does not predict.

    Attributes
    ----------
    shot : int
    miss : ndarray, shape (3,)
        Measured - predicted from the rest, m.
    statistic : float
        Chi-square of 3.
    shift : ndarray
        What taking it back would move the unknowns by, first order.
    """

    shot: int
    miss: np.ndarray
    statistic: float
    shift: np.ndarray


def many_bad_shots(solution: Solution) -> tuple[list[BadShot], Solution] | None:
    """The bad shots, worst first, and a plain solution of the others; None if that fails."""
    run, problem = solution.run, solution.problem
    groups = [Candidate(i, tuple(range(3 * i, 3 * i + 3))) for i in range(len(run.shots))]
    try:
        weights = reweight(
            problem, problem.observations, solution.adjustment.parameters, groups,
            names=problem.names, prior=problem.prior, held=problem.held,
        )
        doubted = weights.below(DOUBTED)
        rest, bad = _rest(run, doubted)
        if len(bad) < len(doubted):
            rest, bad = _rest(run, [b.shot for b in bad])
    except (NotConverged, NotDetermined, ModelNotFinite, InputError, ValueError):
        return None
    return sorted(bad, key=lambda b: -b.statistic), rest


def _rest(run, doubted):
    """A plain solution without the doubted shots, and those of them that it does not predict."""
    rest = solve(without(run, SetAside(frozenset(doubted))))
    mask = np.isin(np.arange(len(run.shots)), list(doubted))
    if not mask.any():
        return rest, []
    shots = run.shots.select(mask)
    checked = check_shots(rest, shots)
    design = rest.problem.predicted(
        rest.adjustment.parameters, run.poses.readings, shots).by_unknowns
    bad = []
    for shot, a, miss, covariance, statistic in zip(
        np.flatnonzero(mask), design, checked.misses, checked.covariances, checked.statistics,
        strict=True,
    ):
        if statistic > equal_power_limit(3):
            shift = rest.adjustment.covariance @ a.T @ np.linalg.solve(covariance, miss)
            bad.append(BadShot(int(shot), miss, float(statistic), shift))
    return rest, bad
