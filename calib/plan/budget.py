"""Choosing within a budget of minutes: gain per minute, swaps, and dropping to buy better.

The candidates of a pool take minutes and a design may take so many in all. It starts as the
sequence of the best gains per minute, and is bettered by exchange as far as the minutes go and by
giving up one place for what else its minutes could buy (a knapsack, so that this is a search and
no proof; `calib.plan.bound` says how far from the best it can be).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calib.plan.exchange import Criterion, Pool, add

#: Minutes are equal within this.
_ROUNDING = 1e-9

#: A change must better the criterion by this share, or it is noise.
_WORTH = 1e-4

#: So many places are given up at most, one after the other.
_GIVEN_UP = 8

#: A growing design looks at all candidates every so many steps, in between at the best of them.
_REFRESH, _BEST = 5, 1000


#: Exchange finds no better than what is near its start: a design grows in each of these ways.
THRIFTS = (1.0, 0.5, 0.0)


@dataclass(frozen=True)
class Design:
    """Candidates with the group of each, in no order.

    `price` is the gain per minute of what was bought last.
    """

    candidates: tuple[int, ...]
    groups: tuple[int, ...]
    price: float = 0.0

    def minutes(self, pool: Pool) -> float:
        return float(pool.minutes[list(self.candidates)].sum())

    def information(self, pool: Pool) -> np.ndarray:
        return pool.information(np.array(self.candidates, int), np.array(self.groups, int))

    def without(self, place: int) -> "Design":
        """The same less one place."""
        return Design(self.candidates[:place] + self.candidates[place + 1 :],
                      self.groups[:place] + self.groups[place + 1 :], self.price)

    def with_(self, candidate: int, group: int, price: float) -> "Design":
        """The same and one more."""
        return Design((*self.candidates, candidate), (*self.groups, group), price)


def bought(pool: Pool, start: Design, gain: Criterion, budget: float, most: int | None = None,
           shortlist: np.ndarray | None = None, thrift: float = 1.0) -> Design:
    """The best gain per minute again and again, while it fits.

    Parameters
    ----------
    budget : float
        Minutes of the whole design.
    most : int, optional
        So many candidates at most.
    shortlist : ndarray of int, optional
        The candidates that are considered; all, if not given.
    thrift : float
        Power of the minutes that a gain is divided by: 0 to gain most per pose.
    """
    design, spent, steps = start, start.minutes(pool), 0
    information = start.information(pool)
    everything = np.arange(len(pool.rows)) if shortlist is None else shortlist
    considered = everything
    while most is None or len(design.candidates) < most:
        group = int(np.argmin(np.bincount(np.array(design.groups, int), minlength=pool.groups)))
        full = steps % _REFRESH == 0
        asked = everything if full else considered
        asked = asked[pool.minutes[asked] <= budget - spent + _ROUNDING]
        asked = asked[~np.isin(pool.own_pose[asked], pool.own_pose[list(design.candidates)])]
        if not len(asked):
            if full:
                break
            steps = 0
            continue
        rate = gain(pool, np.linalg.inv(information), group, asked) / pool.minutes[asked] ** thrift
        if full:
            considered = np.sort(asked[np.argsort(-rate, kind="stable")[:_BEST]])
        best = int(asked[np.argmax(rate)])
        design = design.with_(best, group, float(rate.max()))
        spent += pool.minutes[best]
        add(pool, information, best, group, +1)
        steps += 1
    return design


def swapped(pool: Pool, design: Design, gain: Criterion, budget: float, shortlist: np.ndarray,
            price: float = 0.0, passes: int = 4) -> Design:
    """Each place's candidate exchanged for the best that the minutes left allow.

    Parameters
    ----------
    price : float
        What a minute costs, in units of the gain: for designs whose minutes are not limited.
    """
    candidates, spent = list(design.candidates), design.minutes(pool)
    information = design.information(pool)
    for _ in range(passes):
        changed = False
        for place, group in enumerate(design.groups):
            present = candidates[place]
            add(pool, information, present, group, -1)
            others = pool.own_pose[[*candidates[:place], *candidates[place + 1 :]]]
            asked = np.union1d(shortlist, present)
            left = budget - spent + pool.minutes[present]
            asked = asked[(asked == present) | ~np.isin(pool.own_pose[asked], others)
                          & (pool.minutes[asked] <= left + _ROUNDING)]
            gains = gain(pool, np.linalg.inv(information), group, asked)
            gains = gains - price * pool.minutes[asked]
            now, best = gains[np.searchsorted(asked, present)], int(np.argmax(gains))
            if gains[best] > now + _WORTH * abs(now):
                candidates[place], changed = int(asked[best]), True
                spent += pool.minutes[candidates[place]] - pool.minutes[present]
            add(pool, information, candidates[place], group, +1)
        if not changed:
            break
    return Design(tuple(candidates), design.groups, design.price)


def refilled(pool: Pool, design: Design, gain: Criterion, budget: float, shortlist: np.ndarray,
             value: Callable[[np.ndarray], float]) -> Design:
    """Each place in turn given up for what its minutes buy else, where that is better.

    Parameters
    ----------
    value : callable
        From information to what is to be small.
    """
    design = bought(pool, design, gain, budget, shortlist=shortlist)
    best = value(design.information(pool))
    for _ in range(_GIVEN_UP):
        changed = False
        for place in range(len(design.candidates)):
            other = bought(pool, design.without(place), gain, budget, shortlist=shortlist)
            other = swapped(pool, other, gain, budget, shortlist, passes=1)
            reached = value(other.information(pool))
            if reached < best - _WORTH * abs(best):
                design, best, changed = other, reached, True
                break
        if not changed:
            break
    return design


def trimmed(pool: Pool, design: Design, budget: float, value: Callable[[np.ndarray], float]
            ) -> Design:
    """Without the places that cost least to give up per minute, until the rest fits."""
    while design.minutes(pool) > budget + _ROUNDING and len(design.candidates) > 1:
        design = less_one(pool, design, value)
    return design


def less_one(pool: Pool, design: Design, value: Callable[[np.ndarray], float]) -> Design:
    """Without the place that costs least to give up per minute."""
    now = value(design.information(pool))
    loss = [(value(design.without(k).information(pool)) - now) / pool.minutes[c]
            for k, c in enumerate(design.candidates)]
    return design.without(int(np.argmin(loss)))


def shortlisted(pool: Pool, design: Design, gain: Criterion, count: int) -> np.ndarray:
    """The candidates that would gain most if added, in all and per minute, over all groups."""
    covariance = np.linalg.inv(design.information(pool))
    gains = np.max([gain(pool, covariance, g, slice(None)) for g in range(pool.groups)], axis=0)
    best = [np.argsort(-g, kind="stable")[: count // 2] for g in (gains, gains / pool.minutes)]
    return np.union1d(np.concatenate(best), np.array(design.candidates, int))
