"""Which poses, and what to shoot in them: within minutes, or so many poses."""

from functools import lru_cache

import numpy as np

from calib.plan.budget import (
    THRIFTS,
    Design,
    bought,
    refilled,
    shortlisted,
    swapped,
    trimmed,
)
from calib.plan.exchange import Pool, determinant_gain, variance_gain, worst_gain
from calib.plan.order import field_minutes, in_working_order
from calib.plan.task import DRIVE, Prepared

#: Criteria a plan can be made for.
EDGE, PARAMETERS = "edge", "parameters"

#: How many of the best candidates exchange looks at, giving up one place, and the last polish; and
#: how many of those that promised most another start does.
_SHORTLIST, _REFILL, _POLISH, _PROMISING = 600, 200, 120, 1500

#: Weights of the nodes grow with this power of their sd, so that the worst ones count most.
_POWER, _REWEIGHTED = 4, 3

#: How often a plan is fitted to the driving that it really needs.
_TOURS = 3

#: Minutes of a plan that are not spent are too few to look again.
_SPARE = 0.5


@lru_cache(maxsize=32)  # a search for the least minutes comes to the same ones again
def within_minutes(prepared: Prepared, minutes: float, stands: int,
                   criterion: str) -> tuple[Design, Pool]:
    """The best that can be shot in so many minutes, with the driving that it needs.

    Returns
    -------
    Design, Pool
        The pool with the driving that the design needs per pose, in the mean.
    """
    effort = prepared.task.rig.effort
    budget, drive = minutes - (stands - 1) * effort.stand, DRIVE
    best: Design | None = None
    design, (_, value) = Design((), ()), _aims(prepared, criterion)
    aim = value if criterion == PARAMETERS else prepared.worst
    for _ in range(_TOURS):
        pool = prepared.pool(stands, drive)
        design = trimmed(pool, design, budget, value)
        design = bettered(prepared, pool, design, budget, criterion)
        drive = driving(prepared, design)
        spent = design.minutes(prepared.pool(stands, drive))
        if spent <= budget and (best is None or aim(design.information(pool))
                                < aim(best.information(pool))):
            best = design
        if spent <= budget < spent + _SPARE:
            break
    pool = prepared.pool(stands, drive)
    while best is None:
        # The tour of what is left is shorter: its minutes are reckoned anew.
        design = trimmed(pool, design, min(budget, design.minutes(pool) - 0.01), value)
        pool = prepared.pool(stands, driving(prepared, design))
        if design.minutes(pool) <= budget or len(design.candidates) <= stands:
            best = design
    return best, prepared.pool(stands, driving(prepared, best))


def of_poses(prepared: Prepared, poses: int, stands: int, criterion: str
             ) -> tuple[Design, Pool]:
    """The best of so many poses, with further shots where they are worth their minutes.

    A minute of shots must gain what a minute of the last pose does.
    """
    pool, (gain, _) = prepared.pool(stands), _aims(prepared, criterion)
    design = bought(pool, Design((), ()), gain, np.inf, most=poses)
    for _ in range(2):
        short = shortlisted(pool, design, gain, _SHORTLIST)
        design = swapped(pool, design, gain, np.inf, short, price=design.price)
    if criterion == EDGE:
        design = _evened(prepared, pool, design, design.minutes(pool))
    return design, prepared.pool(stands, driving(prepared, design))


def bettered(prepared: Prepared, pool: Pool, design: Design, budget: float, criterion: str
             ) -> Design:
    """A design grown to a budget, exchanged, and made even over the envelope."""
    (gain, value), tried, promising = _aims(prepared, criterion), [], None
    for thrift in THRIFTS[:1] if design.candidates else THRIFTS:
        other = bought(pool, design, gain, budget, thrift=thrift, shortlist=promising)
        promising = shortlisted(pool, other, gain, _PROMISING) if promising is None else promising
        short = promising if thrift < 1 else shortlisted(pool, other, gain, _SHORTLIST)
        tried.append(swapped(pool, other, gain, budget, short))
    tried.sort(key=lambda design: value(design.information(pool)))
    design = refilled(pool, tried[0], gain, budget, shortlisted(pool, tried[0], gain, _REFILL),
                      value)
    if criterion == PARAMETERS:
        return design
    return min((_evened(prepared, pool, one, budget) for one in (design, *tried[1:2])),
               key=lambda design: prepared.worst(design.information(pool)))


def _evened(prepared, pool, design, budget):
    """Exchange for the worst nodes: weights that grow where the sd is large, then the worst one."""
    def worst(design):
        return prepared.worst(design.information(pool))

    nodes, weights = prepared.by_parameters, 1.0
    for _ in range(_REWEIGHTED):
        sds = prepared.edge_sds(design.information(pool))
        weights = weights * (sds / sds.max()) ** _POWER
        form = np.einsum("n,nci,ncj->ij", weights / weights.mean(), nodes, nodes) / len(nodes)
        gain = variance_gain(form)
        short = shortlisted(pool, design, gain, _SHORTLIST // 2)
        other = swapped(pool, design, gain, budget, short, passes=2)
        design = min(design, other, key=worst)
    short = shortlisted(pool, design, variance_gain(prepared.form), _POLISH)
    return swapped(pool, design, worst_gain(nodes), budget, short, passes=2)


def driving(prepared: Prepared, design: Design) -> float:
    """Minutes of driving per pose, in the mean, along a short tour."""
    rig = prepared.task.rig
    joints = prepared.joints_of(design.candidates)
    groups = np.array(design.groups)
    order = in_working_order(rig, joints, groups)
    return field_minutes(rig, joints[order], groups[order]).driving / len(order)


def _aims(prepared, criterion):
    """What gains by a candidate, and what is to be small, from information."""
    if criterion == PARAMETERS:
        return determinant_gain, lambda information: -np.linalg.slogdet(information)[1]
    return variance_gain(prepared.form), prepared.mean_variance
