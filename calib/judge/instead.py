"""Whether one error that values share explains what was set aside as well as single slips do.

A zero that jumps puts the readings behind it out one after another, a gain those at the ends of
its range, a wrong scale the taped lengths. Set aside one by one they leave a run that fits, and a
machine that is wrong. Both explanations are scored as `calib.judge.explain` does; where they are
alike, and the machines differ at the edge by more than either is known to, neither can be trusted.
"""

import numpy as np

from calib.adjust.distributions import TIMES_SD
from calib.calibration import Solution
from calib.edge import envelope_edge
from calib.judge.added import ALIKE, FAMILIES, SHARED, SINGLE, fitted
from calib.judge.added_numbers import scores_of
from calib.judge.facts import AtEdge, Creeps, ZeroShifted
from calib.judge.fits import passes
from calib.judge.relabelling import zeros_moved
from calib.judge.set_aside import SetAside

#: Families of which the strongest is fitted.
_MOST_FITTED = 5


def instead(whole: Solution, rest: Solution, aside: SetAside) -> AtEdge | None:
    """The best explanation by one error, if it is as good and gives another edge.

    Parameters
    ----------
    whole, rest : Solution
        With what was set aside, and without.
    """
    run, fit, n = whole.run, whole.adjustment, np.log(3 * len(whole.run.shots))
    values = len(run.shots) + run.poses.readings.size + len(run.tape.quantities)
    cost = (rest.adjustment.chi2 + (fit.dof - rest.adjustment.dof) * n
            - 2 * np.log(SINGLE) + 2 * len(aside.names) * np.log(values))
    found = None
    for score in _strongest(whole):
        result = fitted(run, score)
        if result is None or not passes(result[0].chi2, fit.dof - score.dof):
            continue
        seen, mistake = result
        its = seen.chi2 + score.dof * n - 2 * np.log(SHARED / FAMILIES / score.added.members)
        if its < cost + ALIKE and (found is None or its < found[0]):
            found = its, mistake.fact, whole.problem.parameters(seen.parameters)
    if found is None:
        return None
    nodes = envelope_edge(rest.rig, rest.parameters)
    moves = max(nodes.worst_error(machine) for machine in _machines(rest.rig, *found[1:]))
    return AtEdge(found[1], moves) if moves > TIMES_SD * nodes.worst_sd(rest.covariance) else None


def _machines(rig, fact, parameters):
    """The machine as it was in the first pose, and in the last."""
    yield parameters
    if isinstance(fact, ZeroShifted | Creeps):
        reading = rig.reading_names.index(fact.reading)
        yield zeros_moved(rig, parameters, [reading], -rig.readings[reading].direction * fact.by)


def _strongest(whole):
    """The strongest test of each family whose error can be undone, strongest first."""
    best = {score.added.family: score
            for score in sorted(scores_of(whole), key=lambda score: score.statistic)
            if score.added.undo is not None}
    return sorted(best.values(), key=lambda score: -score.statistic)[:_MOST_FITTED]
