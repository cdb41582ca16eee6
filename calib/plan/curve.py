"""What minutes buy: the edge sd against them, and the least that reach a goal."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from calib.plan.budget import Design, bought, less_one
from calib.plan.choose import EDGE, driving, within_minutes
from calib.plan.exchange import Pool, variance_gain
from calib.plan.information import prior_information
from calib.plan.plan import Plan
from calib.plan.task import Prepared

#: A field day has room for no more, minutes.
MOST_MINUTES = 240.0

#: Minutes are worth it while so many more better the worst edge sd by this share (common
#: practice, no source): where they no longer do is the knee of the curve.
KNEE_MINUTES, KNEE_SHARE = 10.0, 0.10

#: Exchange betters a plan that grew by less than this.
_BETTERED = 1.2

#: Least minutes are found to within this; those that are looked at next are so many times as many.
_STEP, _MORE = 1.0, 1.2


@dataclass(frozen=True)
class Curve:
    """Predicted edge sd of plans that lose or gain pose after pose.

    One that is exchanged as a whole is a little better.
    """

    minutes: np.ndarray  #: Shape (k,). With the driving and the ways from stand to stand.
    poses: np.ndarray  #: Int, shape (k,).
    #: median, worst: shape (k,). Over the envelope, m.
    median: np.ndarray
    worst: np.ndarray
    #: Minutes beyond which `KNEE_MINUTES` more better the worst edge sd by less than `KNEE_SHARE`;
    #: None if that is not seen.
    knee: float | None


class GoalOutOfReach(Exception):
    """Even the largest plan misses the goal.

    Attributes
    ----------
    goal, reached : float
        Worst edge sd asked for and reached, m.
    minutes : float
        Of the largest plan.
    bounds : tuple of (str, float)
        What would help most, with the worst edge sd if its error were gone, m.
    """

    def __init__(self, goal: float, reached: float, minutes: float,
                 bounds: Iterable[tuple[str, float]]):
        self.goal, self.reached, self.minutes, self.bounds = goal, reached, minutes, tuple(bounds)
        super().__init__(f"{minutes:.0f} minutes reach {reached:.4g} m, not {goal:.4g} m (1 sd)")


def curves(plan: Plan, most: float, least: float | None = None) -> tuple[Curve, Curve | None]:
    """Through the plan of the least minutes for a goal, else through a plan, up to so many minutes.

    And with nothing shot but the edge, through what the plan's minutes are then good for; None
    where there is nothing else, or no edge.
    """
    prepared, stands = plan.prepared, plan.stands
    through = (Design(tuple(plan.design.tolist()), tuple(plan.stand.tolist())) if least is None
               else within_minutes(prepared, least, stands, EDGE)[0])
    alone = edge_alone(prepared)
    return curve(prepared, stands, most, through), None if alone is None else curve(
        alone, stands, most, within_minutes(alone, plan.minutes.total, stands, EDGE)[0])


def edge_alone(prepared: Prepared) -> Prepared | None:
    """With the bundles of the edge alone; None where there are no others, or none of it."""
    bundles, task = prepared.bundles, prepared.task
    on_edge = np.isin(np.array(task.targets), task.rig.edge_targets)
    if on_edge.all() or not on_edge.any():
        return None
    of_edge = np.flatnonzero(~bundles.shots[:, ~on_edge].any(1))
    return replace(prepared, bundles=bundles.select(of_edge))


def curve(prepared: Prepared, stands: int = 1, most: float = 90.0,
          through: Design | None = None) -> Curve:
    """Edge sd against minutes in the field.

    Parameters
    ----------
    most : float
        Minutes up to which it goes.
    through : Design, optional
        From it poses are given up and bought, one after the other, by the gain per minute; from
        nothing if not given.
    """
    through = through or Design((), ())
    pool, moving = prepared.pool(stands), (stands - 1) * prepared.task.rig.effort.stand
    whole = bought(pool, through, variance_gain(prepared.form), most - moving)
    fewest, size = min(max(2, stands), len(whole.candidates)), len(through.candidates)
    designs = [Design(whole.candidates[:n], whole.groups[:n])
               for n in range(max(size, fewest), len(whole.candidates) + 1)]
    while len(designs[0].candidates) > fewest:
        designs.insert(0, less_one(pool, designs[0], prepared.mean_variance))
    # The driving of the design it goes through, or of the whole of it: an equal share per pose.
    pool = prepared.pool(stands, driving(prepared, through if size else whole))
    minutes = np.array([design.minutes(pool) + moving for design in designs])
    sds = [prepared.edge_sds(design.information(pool)) for design in designs]
    worst = np.array([s.max() for s in sds])
    return Curve(minutes, np.array([len(design.candidates) for design in designs]),
                 np.array([np.median(s) for s in sds]), worst, knee_of(minutes, worst))


def knee_of(minutes: np.ndarray, worst: np.ndarray) -> float | None:
    """Where the curve flattens: see `Curve`."""
    later = minutes + KNEE_MINUTES
    known = later <= minutes[-1]
    then = np.interp(later[known], minutes, worst)
    # From there on, not where one step happens to help little.
    helps = np.append(then < worst[known] * (1 - KNEE_SHARE), False)
    last = int(np.flatnonzero(helps)[-1]) + 1 if helps.any() else 0
    return float(minutes[last]) if last < known.sum() else None


def least_minutes(prepared: Prepared, goal: float, stands: int = 1) -> float:
    """The least minutes found, to whole ones, whose plan has a worst edge sd within a goal, m.

    Raises
    ------
    GoalOutOfReach
        If `MOST_MINUTES` do not reach it.
    """
    grown = curve(prepared, stands, MOST_MINUTES)
    reached, best = grown.worst <= goal, float(grown.worst[-1])
    if best < _BETTERED * goal:
        first = np.ceil(grown.minutes[np.argmax(reached)]) if reached.any() else MOST_MINUTES
        found = _least(lambda minutes: _reached(prepared, minutes, stands) <= goal, float(first),
                       float(grown.minutes[0]))
        if found is not None:
            return found
        best = _reached(prepared, MOST_MINUTES, stands)
    raise GoalOutOfReach(goal, best, MOST_MINUTES, bounds(prepared, MOST_MINUTES, stands))


def least_minutes_to_lose_one(prepared: Prepared, goal: float, stands: int, least: float
                              ) -> float | None:
    """The least minutes found whose plan reaches a goal, m, even if any one pose is lost.

    None if `MOST_MINUTES` do not do; `least` are those that reach it if none is lost.
    """
    return _least(lambda minutes: _reached(prepared, minutes, stands, _with_one_lost) <= goal,
                  least, least)


def _least(does, first, fewest):
    """The least minutes found that do, to a whole one above, about `first`; None if none do."""
    low, high = max(0.8 * first, fewest), first
    while not does(high):
        if high >= MOST_MINUTES:
            return None
        low, high = high, min(_MORE * high, MOST_MINUTES)
    while high == first and low > fewest and does(low):
        first, low, high = low, 0.9 * low, low
    while high - low > _STEP:
        middle = np.round((low + high) / 2)
        if middle in (low, high):
            break
        low, high = (low, middle) if does(middle) else (middle, high)
    return float(np.ceil(high))


def _whole(prepared, design, pool):
    return prepared.worst(design.information(pool))


def _reached(prepared, minutes, stands, worst=_whole):
    """The worst edge sd of the plan for so many minutes."""
    return worst(prepared, *within_minutes(prepared, minutes, stands, EDGE))


def _with_one_lost(prepared: Prepared, design: Design, pool: Pool) -> float:
    """The worst edge sd of a design without the pose that is missed most, m."""
    candidates, groups = np.array(design.candidates), np.array(design.groups)
    return max(prepared.worst(pool.information(candidates[rest], groups[rest]))
               for rest in ~np.eye(len(candidates), dtype=bool))


def bounds(prepared: Prepared, minutes: float, stands: int = 1) -> list[tuple[str, float]]:
    """What keeps a plan from being better: worst edge sd, m, if one source of error were gone.

    Returns
    -------
    list of (str, float)
        The shots, every sensor, every taped value; what would help most comes first.
    """
    task, pool = prepared.task, prepared.pool(stands)
    budget = minutes - (stands - 1) * task.rig.effort.stand
    design = bought(pool, Design((), ()), variance_gain(prepared.form), budget)
    gone = {"the shots": (replace(task.noise, shot=task.noise.shot / 100), task.taped)}
    for i, name in enumerate(task.rig.reading_names):
        sd = np.where(np.arange(len(task.noise.readings)) == i, 0.01, 1.0) * task.noise.readings
        gone[f"the {name} reading"] = replace(task.noise, readings=sd), task.taped
    for i, name in enumerate(task.taped.names):
        sd = np.where(np.arange(len(task.taped.sd)) == i, 0.01, 1.0) * task.taped.sd
        gone[f"the tape of {name}"] = task.noise, replace(task.taped, sd=sd)
    worst = {
        name: _worst_with(prepared, design, stands, *errors) for name, errors in gone.items()
    }
    return sorted(worst.items(), key=lambda item: item[1])


def _worst_with(prepared, design, stands, noise, taped):
    bundles, chosen = prepared.bundles, list(design.candidates)
    rows = prepared.task.rows(prepared.readings[bundles.pose[chosen]], bundles.shots[chosen],
                              prepared.noted(chosen), noise)
    pool = replace(prepared.pool(stands), rows=rows,
                   prior=prior_information(taped, prepared.task.layout(stands)))
    return prepared.worst(pool.information(np.arange(len(chosen)), np.array(design.groups)))
