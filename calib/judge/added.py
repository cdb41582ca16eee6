"""Numbers that the model does not have, tested one by one; which: `calib.judge.added_numbers`.

A fit says of every such number how far it would move from zero and whether that is more than
chance, without solving again: the score test (C. R. Rao, Proc. Cambridge Philosophical Society 44
(1948) 50-57, from memory). With r the whitened misclosures, z the whitened derivatives of the
predictions by the added numbers and z' what the design leaves of them,

    statistic = r'z' (z''z')^-1 z''r,    a chi-square with as many degrees of freedom as numbers.

The global test spreads over all degrees of freedom what such a test looks for in one: a fault of
five sds of one number can leave it passed.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calib.adjust.distributions import chi2_sf
from calib.adjust.mixed_model import ModelNotFinite, NotConverged, linearised_at
from calib.adjust.observations import Prediction
from calib.adjust.quick import Look
from calib.adjust.whitening import whitened
from calib.calibration import Problem, problem_of
from calib.judge.facts import Fact, Settled
from calib.judge.fits import looked
from calib.judge.mistakes import Mistake
from calib.run.records import Run

#: Prior odds: that nothing is wrong, that single values are, and what so many families share.
AS_IT_IS, SINGLE, SHARED, FAMILIES = 0.5, 0.25, 0.25, 32

#: Explanations whose scores differ by less are not told apart.
ALIKE = 6.0

#: Probability that a clean run has any added number called real.
RUN_LEVEL = 0.005

#: What the design must leave of a direction, as a share of its square, for it to be tested.
_LEAST_LEFT = 1e-5

_ROUNDS = 6


#: Derivatives of the predictions, and a run without what the numbers stand for; see `Added`.
Columns = Callable[[Problem, np.ndarray, Prediction], np.ndarray]
Undo = Callable[[Run, np.ndarray, Problem, np.ndarray], Run]


@dataclass(frozen=True)
class Added:
    """Some numbers that could be added to the model."""

    family: str
    members: int  #: How many of its family there are to choose from.
    #: ``columns(problem, parameters, prediction) -> (n_rows, d)``: derivatives of the predictions
    #: by the numbers.
    columns: Columns
    #: ``fact(values) -> Fact``; None where they are more than such a thing can be.
    fact: Callable[[np.ndarray], Fact | None]
    #: ``undo(run, values, problem, parameters) -> Run`` without what the numbers stand for; None
    #: where only the test is wanted.
    undo: Undo | None = None
    every_shot: bool = False  #: every_shot, mend: As of `calib.judge.mistakes.Mistake`.
    mend: Callable[[Run], Run] | None = None


@dataclass(frozen=True)
class Score:
    """A test of added numbers."""

    added: Added
    statistic: float
    dof: int
    values: np.ndarray

    @property
    def chance(self) -> float:
        """Probability of as large a statistic if there is nothing."""
        return float(chi2_sf(self.statistic, self.dof))


def scores(run: Run, parameters: np.ndarray, corrections: np.ndarray | None,
           added: list[Added]) -> list[Score]:
    """Test added numbers on a fit; none where the model fails there.

    Parameters
    ----------
    parameters : ndarray, shape (n_unknowns,)
        Where the run was fitted.
    corrections : ndarray, shape (n_poses, n_readings), or None
        Of the readings, rad; None where the fit was at the readings as they are.
    """
    problem = problem_of(run)
    observations = problem.observations
    if corrections is None:
        corrections = np.zeros_like(observations.readings)
    try:
        at = linearised_at(problem, observations, problem.prior, parameters, corrections,
                           problem.held)
    except (NotConverged, ModelNotFinite):
        return []
    prediction = problem(parameters, observations.readings + corrections)
    q, found = at.spectrum.left[:, : at.spectrum.rank], []
    below = len(at.raw) - len(observations.values)
    for one in added:
        columns = np.pad(one.columns(problem, parameters, prediction), ((0, below), (0, 0)))
        z = whitened(at.groups, columns, at.whiteners)
        left = z - q @ (q.T @ z)
        kept = np.einsum("ij,ij->j", left, left)
        if not (kept > _LEAST_LEFT * np.einsum("ij,ij->j", z, z)).all():
            continue
        basis, triangle = np.linalg.qr(left)
        along = basis.T @ at.misclosure
        if np.linalg.cond(triangle) < 1e8:
            found.append(Score(one, float(along @ along), len(along),
                               np.linalg.solve(triangle, along)))
    return found


def beyond_chance(found: list[Score]) -> list[Score]:
    """Those that are real at the level of the run, worst first.

    The families share the level equally and the members of a family its share (Bonferroni's
    inequality): one scale of all shots is one question, however many moments there are for a
    zero to jump at.
    """
    members = Counter(s.added.family for s in found)
    return sorted((s for s in found
                   if s.chance < RUN_LEVEL / len(members) / members[s.added.family]),
                  key=lambda s: s.chance)


def fitted(run: Run, score: Score) -> tuple[Look, Mistake] | None:
    """The added numbers fitted with everything else, by Gauss and Newton's steps.

    Returns
    -------
    Look of the run without their effect, and the mistake; None if they come out as nothing.
    """
    one, values = score.added, score.values.copy()
    problem = problem_of(run)
    parameters = problem.start
    undo = one.undo
    if undo is None:
        return None
    for _ in range(_ROUNDS):
        changed = undo(run, values, problem, parameters)
        problem = problem_of(changed)
        seen = looked(changed)
        if not np.isfinite(seen.chi2):
            return None
        parameters = seen.parameters
        step = scores(changed, parameters, None, [one])
        if not step:
            return None
        # A step worth less than this of chi-square changes nothing that is told.
        if step[0].statistic < 0.01:
            break
        values = values + step[0].values
    fact = one.fact(values)
    if fact is None:
        return None
    # A small step of the heights is a machine that settles.
    family = "settled" if isinstance(fact, Settled) else one.family
    return seen, Mistake(
        family, fact, lambda run: undo(run, values, problem_of(run), parameters), len(values),
        every_shot=one.every_shot, mend=one.mend)
