"""Fits of a changed run, from quick to proper, that never complain."""

import numpy as np

from calib.adjust.distributions import chi2_sf
from calib.adjust.mixed_model import ModelNotFinite, NotConverged
from calib.adjust.quick import Look, look
from calib.adjust.spectrum import NotDetermined
from calib.calibration import Problem, Solution, problem_of, solve
from calib.run.complaints import InputError
from calib.run.records import Run

#: What a run that has no solution ends with.
FAILURES = (InputError, NotConverged, NotDetermined, ModelNotFinite)

#: A run passes the global test if a clean one is as bad with at least this probability.
LEVEL = 1e-3

#: A quick fit whose mean square stays above this is not worth more steps.
_WORTH_MORE_STEPS = 300.0


def looked(run: Run, *, robust: bool = False) -> Look:
    """A quick fit from the usual start."""
    return quick_fit(problem_of(run), robust=robust)


def quick_fit(problem: Problem, *, robust: bool = False, start: np.ndarray | None = None,
              steps: int = 15, held: np.ndarray | None = None) -> Look:
    """The same of a problem that is set up already.

    From `start` (n_unknowns,) if that is given; `held` in place of what it holds.
    """
    give_up = np.inf if robust else _WORTH_MORE_STEPS * len(problem.observations.values)
    with np.errstate(all="ignore"):
        return look(problem, problem.observations, problem.start if start is None else start,
                    prior=problem.prior,
                    held=problem.held if held is None else held, steps=steps, give_up=give_up,
                    robust=robust)


def mean_squares(seen: Look) -> np.ndarray:
    """Mean square whitened misclosure of each pose of a quick fit, shape (n_poses,)."""
    return seen.block_chi2 / np.maximum(seen.block_size, 1)


def pose_costs(seen: Look) -> np.ndarray:
    """What each pose costs, shape (n_poses,): far out is little worse than out."""
    return seen.block_size * np.log1p(np.minimum(mean_squares(seen), 1e12))


def solved(run: Run, near: Solution | None = None) -> Solution | None:
    """A proper solution, or None; begun from another one if that is given."""
    try:
        with np.errstate(all="ignore"):
            solution = solve(run, near)
    except FAILURES:
        return None
    return solution if np.isfinite(solution.adjustment.chi2) else None


def dof_of(problem: Problem) -> int:
    """Observations and priors less free unknowns."""
    return (len(problem.observations.values) + len(problem.prior.values)
            - int((~problem.held).sum()))


def passes(chi2: float, dof: int) -> bool:
    """The global test against too large a misfit: chance alone makes one as large."""
    return dof > 0 and bool(np.isfinite(chi2)) and bool(chi2_sf(chi2, dof) >= LEVEL)
