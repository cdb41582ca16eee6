"""Field mistakes that explain what an effect seems to explain."""

from collections import Counter
from dataclasses import dataclass

import numpy as np

from calib.calibration import Solution
from calib.judge.added import beyond_chance, scores
from calib.judge.added_numbers import all_added
from calib.judge.explain import Explanation, explain
from calib.judge.facts import Fact
from calib.run.records import Run

#: Families of mistakes that are effects too.
_EFFECTS_TOO = ("gain", "held", "approach")


@dataclass(frozen=True)
class Rival:
    """A field mistake."""

    #: What it takes off chi2, less twice the logarithm of how many such were looked at and what its
    #: numbers cost.
    worth: float
    family: str
    fact: Fact | None = None  #: What went wrong; None where the family is all that is known.


def single_number(solution: Solution) -> Rival | None:
    """The strongest mistake of one more number, if it is more than chance (`calib.judge.added`)."""
    adjustment = solution.adjustment
    found = scores(solution.run, adjustment.parameters, adjustment.corrections,
                   [a for a in all_added(solution.run) if a.family not in _EFFECTS_TOO])
    real = beyond_chance(found)
    if not real:
        return None
    n, members = 3 * len(solution.run.shots), Counter(s.added.family for s in found)
    rivals = [Rival(s.statistic - s.dof * np.log(n)
                    - 2 * np.log(members[s.added.family] * len(members)), s.added.family)
              for s in real]
    return max(rivals, key=lambda r: r.worth)


def known_mistake(run: Run) -> Rival | None:
    """What ``calib diagnose`` calls the cause of a run that does not fit, or a part of it."""
    found: Explanation = explain(run)
    best = found.claimed or found.part
    if best is None or best.mistake is None or best.mistake.family in _EFFECTS_TOO:
        return None
    worth = np.inf if found.claimed is None else found.as_it_is.score - best.score
    return Rival(worth, best.mistake.family, best.mistake.fact)
