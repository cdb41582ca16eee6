"""What the edge is known to, against what it must be known to.

Compared is 1.96 times the 3-D sd of the edge (the root of the sum of its three variances), worst
over the envelope and the points of the edge, readings exact. The edge lies within that distance
of where the result puts it with a probability of 95 % or more: of all normal errors with the same
3-D sd those along a single line are the furthest out at that level, and for them it is 95 %
exactly (G. J. Szekely and N. K. Bakirov, "Extremal probabilities for Gaussian quadratic forms",
Probability Theory and Related Fields 126 (2003) 184-202, from memory; the same for all shapes in
the tests by simulation). Errors alike in all directions lie within 1.61 times the 3-D sd.
"""

from dataclasses import dataclass

import numpy as np

from calib.adjust.distributions import TIMES_SD
from calib.calibration import Solution
from calib.chain.rig import Rig
from calib.edge import envelope_edge
from calib.judge.identify import Weak
from calib.judge.shot_checks import Origin
from calib.layout import RIG

#: What the edge must be known to at 95 % unless rig.toml says otherwise, m (common practice, no
#: source).
GOAL = 0.030

#: A weak combination that makes up more than this share of the worst variance is named.
_NAMED_SHARE = 0.1


@dataclass(frozen=True)
class EdgeKnown:
    """How well the edge is known where it is known worst."""

    goal: float  #: At 95 %, m.
    origin: Origin  #: Of the goal.
    sd: float  #: Worst 3-D sd over the envelope, 1 sd, m; NaN if the edge can be told nowhere.
    reach: str  #: Where that is.
    #: Worst over the envelope with the noise of the readings as well, 1 sd, m; NaN where `sd` is.
    sd_in_use: float
    because: tuple[Weak, ...]  #: The weak combinations that it comes from, strongest first.

    @property
    def within95(self) -> float:
        """What the edge is known to at 95 %, m."""
        return TIMES_SD * self.sd

    @property
    def in_use95(self) -> float:
        """The same with the noise of the readings, m."""
        return TIMES_SD * self.sd_in_use

    @property
    def noise95(self) -> float:
        """What the noise of the readings alone adds to it, m; 0 where nothing is known."""
        added = self.in_use95**2 - self.within95**2
        return float(np.sqrt(max(added, 0.0))) if np.isfinite(added) else 0.0

    @property
    def met(self) -> bool:
        return bool(self.within95 <= self.goal)


def required(rig: Rig) -> tuple[float, Origin]:
    """What the edge must be known to at 95 %, m, and where that is from."""
    if rig.edge_goal is None:
        return GOAL, Origin.PRACTICE
    return rig.edge_goal, Origin.RIG


def edge_known(solution: Solution, weak: tuple[Weak, ...]) -> EdgeKnown:
    """Compare a solution with the goal of its rig.

    Parameters
    ----------
    weak : tuple of Weak
        As `calib.judge.identify.weak_directions` gives them.
    """
    rig = solution.rig
    goal, origin = required(rig)
    nodes = envelope_edge(rig, solution.parameters)
    sd = np.where(nodes.seen[:, None], nodes.sd(solution.covariance), -1.0)
    if sd.max(initial=-1.0) < 0:
        return EdgeKnown(goal, origin, np.nan, "", np.nan, ())
    node, point = np.unravel_index(np.argmax(sd), sd.shape)
    worst = float(sd[node, point])
    by_unknowns = np.zeros((3, len(solution.problem.names)))
    by_unknowns[:, solution.problem.layout.columns(RIG, "")] = nodes.by_parameters[node, point]
    effects = [_effect(solution, by_unknowns, w.direction) for w in weak]
    order = np.argsort([-effect for effect in effects], kind="stable")
    because = tuple(weak[i] for i in order if effects[i] ** 2 > _NAMED_SHARE * worst**2)
    in_use = nodes.sd_in_use(solution.covariance, _reading_sd(solution.run))[nodes.seen]
    return EdgeKnown(goal, origin, worst, rig.envelope.reaches[nodes.reach[node]][0],
                     float(in_use.max()), because)


def enough(goal: float, low: float, high: float) -> bool | None:
    """Whether an edge error known to lie from `low` to `high` (95 %, m) keeps the goal.

    None where it may or may not.
    """
    if high <= goal:
        return True
    return False if low > goal else None


def _reading_sd(run):
    """The sd of each reading, rad: the rig's; where it states none, that of the run's rows."""
    own = np.where(np.isfinite(run.poses.sd), run.poses.sd, np.nan)
    return np.array([reading.sd if reading.sd is not None
                     else np.sqrt(np.nanmean(own[:, k] ** 2))
                     for k, reading in enumerate(run.rig.readings)])


def _effect(solution, by_unknowns, direction):
    """What the edge moves by along a combination as far as it is still open (1 sd), m."""
    adjustment = solution.adjustment
    free = adjustment.free
    along = direction / solution.shots_alone.scale**2
    sd = np.sqrt(along @ adjustment.covariance[np.ix_(free, free)] @ along)
    return float(np.linalg.norm(by_unknowns[:, free] @ direction) * sd)
