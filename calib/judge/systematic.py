"""Is something wrong with the whole run that no single value shows?

A zero that jumps or creeps, a set-up that tilts or turns, a machine that settles, an axis out of
square: each takes up most of itself in the parameters, spreads the rest over all values, and can
leave the global test and every single value within chance while the edge is wrong by more than the
result says. So every such number that could be added to the model is tested at the solution, and
the strongest is held against how strong the strongest of a clean run is
(`calib.adjust.score.Family`): one test, whatever their number.
"""

from dataclasses import dataclass

import numpy as np

from calib.adjust.distributions import chi2_sf, normal_isf
from calib.adjust.score import Family, Scores
from calib.calibration import Solution
from calib.edge import envelope_edge
from calib.judge.added_numbers import all_added
from calib.judge.facts import AtEdge, Fact
from calib.layout import RIG

#: Draws of a clean run's scores: a chance of 0.01 comes out to 0.0016.
_DRAWS = 4000

#: Moments at which something may have changed: of neighbours the tests are alike.
_MOMENTS = 15

#: The least chance that the test may be held against, and how often what is told to hide is found.
_LEVEL, _POWER = 0.008, 0.8


@dataclass(frozen=True)
class Systematic:
    """What was found of the numbers that could be added."""

    #: What the most likely would be; None where it is more than such a thing can be.
    fact: Fact | None
    statistic: float  #: Its chi-square of `dof` without it.
    dof: int
    tests: int  #: Numbers, or groups of them, that were tested.
    chance: float  #: That the strongest of a clean run is as strong.
    #: Of those of one number, the one that could do most to the edge before it is found.
    hidden: AtEdge | None


def systematic(solution: Solution) -> Systematic | None:
    """Test every number that could be added; None where the shots tell none of them."""
    problem, unknowns = solution.problem, solution.adjustment.parameters
    prediction = problem(unknowns, solution.adjusted_readings)
    added = all_added(solution.run, _MOMENTS)
    columns = [one.columns(problem, unknowns, prediction) for one in added]
    priors = np.zeros((len(problem.prior.values), sum(c.shape[1] for c in columns)))
    scores = Scores.of(solution.adjustment, np.vstack([np.hstack(columns), priors]))
    ends = np.cumsum([c.shape[1] for c in columns]).tolist()
    members = [tuple(range(end - c.shape[1], end)) for end, c in zip(ends, columns, strict=True)]
    tests = [(scores.test(m), m, one) for m, one in zip(members, added, strict=True)]
    tests = [test for test in tests if test[0].dof]
    if not tests:
        return None
    chances = [float(chi2_sf(score.statistic, score.dof)) for score, *_ in tests]
    # Named is what chance explains least if each family has one guess: a jump has many moments.
    named = np.argmin([c * one.members for c, (*_, one) in zip(chances, tests, strict=True)])
    score, _, one = tests[named]
    family = Family(scores, tuple(m for _, m, _ in tests), draws=_DRAWS)
    return Systematic(one.fact(score.values), score.statistic, score.dof, len(tests),
                      family.chance(min(chances)), _hidden(solution, family, tests))


def _hidden(solution, family, tests) -> AtEdge | None:
    """The single number that moves the edge most at the size at which it is found."""
    # What scale hides is told by its own gate.
    single = [(m[0], one) for score, m, one in tests if score.dof == 1 and one.family != "scale"]
    if not single:
        return None
    at = np.array([m for m, _ in single])
    size = (normal_isf(family.single(_LEVEL) / 2) + normal_isf(1 - _POWER)) \
        / np.sqrt(np.diag(family.scores.normal)[at])
    nodes = envelope_edge(solution.rig, solution.parameters)
    taken_up = family.scores.taken_up[np.ix_(solution.problem.layout.columns(RIG, ""), at)]
    moves = size * np.linalg.norm(nodes.by_parameters[nodes.seen] @ taken_up, axis=2).max(
        (0, 1), initial=0.0)
    for i in np.argsort(-moves):
        fact = single[i][1].fact(size[[i]])
        if fact is not None:
            return AtEdge(fact, float(moves[i]))
    return None
