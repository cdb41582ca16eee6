"""Field mistakes that explain what an effect seems to explain."""

from collections import Counter
from dataclasses import dataclass

import numpy as np

from calib.calibration import Solution
from calib.judge.added import all_added, beyond_chance, scores
from calib.judge.explain import Explanation, explain
from calib.judge.fits import passes
from calib.run.records import Run

#: Families of mistakes that are effects too.
_EFFECTS_TOO = ("gain",)


@dataclass(frozen=True)
class Rival:
    """A field mistake.

    Attributes
    ----------
    says : str
        What went wrong, or the nearest test to it.
    worth : float
        What it takes off chi2, less twice the logarithm of how many such were looked at and what
        its numbers cost.
    """

    says: str
    worth: float


def single_number(solution: Solution) -> Rival | None:
    """The strongest mistake of one more number, if it is more than chance (`calib.judge.added`)."""
    adjustment = solution.adjustment
    found = scores(solution.run, adjustment.parameters, adjustment.corrections,
                   [a for a in all_added(solution.run) if a.family not in _EFFECTS_TOO])
    real = beyond_chance(found)
    if not real:
        return None
    n, members = 3 * len(solution.run.shots), Counter(s.added.family for s in found)
    rivals = [Rival(f"a {s.added.family}", s.statistic - s.dof * np.log(n)
                    - 2 * np.log(members[s.added.family] * len(members))) for s in real]
    return max(rivals, key=lambda r: r.worth)


def known_mistake(run: Run) -> Rival | None:
    """What ``calib diagnose`` calls the cause of a run that does not fit, or a part of it."""
    found: Explanation = explain(run)
    best = found.claimed or found.part
    if best is None or best.mistake is None or best.mistake.family in _EFFECTS_TOO:
        return None
    if found.claimed is None:
        return Rival(best.mistake.says, np.inf)
    return Rival(best.mistake.says, found.as_it_is.score - best.score)


def fits(solution: Solution) -> bool:
    """The global test against too large a misfit."""
    return passes(solution.adjustment.chi2, solution.adjustment.dof)
