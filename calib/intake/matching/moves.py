"""Between which poses the machine moved: pins that sit on the house lie elsewhere after it."""

from dataclasses import dataclass

import numpy as np

from calib.chain.rig import Rig
from calib.intake.matching.foreseen import Foreseen

_SAME = 0.05
"""Within this the pins of a house that stands still are found again, m: pole, and soil that gives
way (common practice, no source)."""

_APART = 1.0
"""No house that stands still gives way so far, m."""

_NEITHER = 2.5
"""A machine that is not solved yet is known better than this, m: what is farther off stood neither
before nor after a move."""


@dataclass(frozen=True)
class Move:
    """What shows that the machine moved: tracks, or a house that cannot tell its slew."""

    after: str  #: The last pose before it.
    before: str  #: The first pose after it.
    target: str  #: The pin that moved.
    far: float  #: How far, m; what a house may do that slews is taken off.
    of_setups: bool  #: Whether the instrument was set up anew between these poses too.
    sure: bool


def moves(rig: Rig, seen: Foreseen) -> list[Move]:
    """Moves in the order of the poses.

    A pin on the house is as far from itself, pose to pose, as readings foresee: nowhere, but for
    a house or boom foot that slews. It may lie elsewhere by as much again as the rig's starting
    values foresee there, or by the whole circle where the slew was not read.
    """
    pins = _on_house(rig)
    held = np.isin(seen.target, list(pins))
    turned = any(pins.values())
    found: list[Move] = []
    here: list[int] = []  # rows of the pins of the present stand
    with_pins = np.unique(seen.pose[held])
    for n, pose in enumerate(with_pins):
        rows = np.flatnonzero(held & (seen.pose == pose)).tolist()
        off = _off(seen, rows, here, turned)
        if off and min(off.values()) > _SAME:
            later = np.flatnonzero(held & (seen.pose == with_pins[n + 1])).tolist() \
                if n + 1 < len(with_pins) else []
            back = _off(seen, later, here, turned)
            near = min(off.values()) < _APART
            # One shot alone that no other pose bears out is a bad shot, or another pin.
            if near and len(here) == 1:
                here = []
            elif len(off) > 1 or (min(back.values()) > _SAME if back else not near):
                found.append(_move(rig, seen, here, rows, off, bool(later)))
                here = []
        here += rows
    return found


def _on_house(rig):
    """Targets that only the house carries, and whether it turns them about an upright axis."""
    leans = {r.name for r in rig.readings if r.parked and r.kind != "slew"}
    out = {}
    for i, target in enumerate(rig.targets):
        path = [m for m in (*rig.chain.motions[:rig.chain.depth[target.frame]], *target.motions)
                if m.joint is not None and m.joint not in leans]
        if all(m.turns and m.axis == 2 for m in path):
            out[i] = bool(path)
    return out


def _off(seen, rows, here, turned):
    """By target, how much farther its shots lie from those of a stand than a house explains, m."""
    off = {}
    for row in rows:
        same = [i for i in here if seen.target[i] == seen.target[row]]
        if not same:
            continue
        shot = np.linalg.norm(seen.shot[same] - seen.shot[row], axis=1)
        house = np.linalg.norm(seen.house[same] - seen.house[row], axis=1)
        if turned:
            read = seen.known[seen.pose[same]] & seen.known[seen.pose[row]]
            circle = 4 * np.linalg.norm(seen.house[row, :2])
            off[int(seen.target[row])] = float(np.median(np.where(
                read, np.maximum(np.abs(shot - house) - house, 0.0),
                np.maximum(shot - circle, 0.0))))
        else:
            off[int(seen.target[row])] = float(np.median(np.abs(shot - house)))
    return off


def _move(rig, seen, here, rows, off, borne_out):
    """The move between the pins of a stand and those of the next one."""
    target = max(off, key=off.__getitem__)
    last, first = seen.pose[here].max(), seen.pose[rows[0]]
    anew = [k for k in range(last + 1, first + 1) if seen.setup[k] != seen.setup[k - 1]]
    of_setups = len(anew) == 1 and bool(seen.setup[anew[0]])
    at, clear = (anew[0], True) if of_setups else _first_there(seen, here, rows, last, first)
    seen_often = (len(off) > 1 or borne_out) and len(here) > 1
    return Move(seen.poses[at - 1], seen.poses[at], rig.target_names[target], off[target],
                of_setups, clear and (of_setups or (off[target] >= _APART and seen_often)))


def _first_there(seen, here, rows, last, first):
    """The first pose after a move, of those between without a pin on the house; whether it is told
    clearly, by how far the other shots lie from the pins before and after."""
    cost = np.array([[_misfit(seen, pose, side) for side in (here, rows)]
                     for pose in range(last + 1, first)]).reshape(-1, 2)
    ends = [cost[:k, 0].sum() + cost[k:, 1].sum() for k in range(len(cost) + 1)]
    best = int(np.argmin(ends))
    others = [c for k, c in enumerate(ends) if k != best]
    fits = seen.known[last + 1:first].all() and cost.min(axis=1).max(initial=0.0) < _NEITHER
    return last + 1 + best, not others or bool(fits and min(others) - ends[best] > _APART)


def _misfit(seen, pose, pins):
    """How much the distances of a pose's shots to pins differ from those foreseen, m."""
    own = np.flatnonzero(seen.pose == pose)
    shot = np.linalg.norm(seen.shot[own][:, None] - seen.shot[pins], axis=2)
    house = np.linalg.norm(seen.house[own][:, None] - seen.house[pins], axis=2)
    return float(np.abs(shot - house).mean())
