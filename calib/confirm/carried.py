"""What a system makes of a machine whose values are typed into it by a list."""

import math
from dataclasses import dataclass, replace

import numpy as np

from calib.chain.rig import Rig
from calib.edge import EdgeNodes
from calib.entries.determined import Determined
from calib.entries.listed import EntryList, entry_values
from calib.entries.typed import entered, rounded


@dataclass(frozen=True)
class OwnValue:
    """What the system takes for granted where the machine has something else."""

    name: str  #: A parameter.
    #: held, solved: m or rad.
    held: float
    solved: float
    moves: float  #: The edge, at worst, by that alone, m.


@dataclass(frozen=True)
class LeftOut:
    """A parameter that moves the edge and follows from no entry; `old` is None where not taped."""

    name: str
    solved: float
    old: float | None


@dataclass(frozen=True)
class Carried:
    """How far the edge is off, at worst, with a list typed without a slip."""

    #: For the rounding alone, m; NaN where no machine has the values as they are rounded.
    rounding: float
    own: tuple[OwnValue, ...]  #: The largest first.
    left_out: tuple[LeftOut, ...]
    #: For all of that, what is left out being as taped, m; NaN where some of it was not taped.
    off: float


def carried(rig: Rig, entries: EntryList, parameters: np.ndarray, taped: dict[str, float],
            nodes: EdgeNodes, found: Determined) -> Carried:
    """What a list carries of a machine.

    Parameters
    ----------
    parameters : ndarray, shape (p,)
        As solved, m or rad.
    taped : dict of str to float
        What the system holds where nothing is typed, m or rad.
    nodes : EdgeNodes
        The edge of the machine over its envelope.
    found : Determined
        What the list determines.
    """
    names = rig.parameter_names
    values, _ = entry_values(entries, parameters)
    typed = rounded(entries, values)

    def machine(listed, what, near=parameters):
        made = entered(rig, listed, what, near)
        return made.parameters if made.agrees else np.full(len(names), np.nan)

    whole = machine(entries, typed)
    left = [LeftOut(n, float(parameters[names.index(n)]), taped.get(n)) for n in names
            if any(n in o.direction.names for o in found.open)]
    near = np.array(parameters, float)
    for item in left:
        near[names.index(item.name)] = np.nan if item.old is None else item.old
    own = [OwnValue(name, value, float(parameters[names.index(name)]),
                    _apart(nodes, entered(rig, replace(entries, known={name: value}), values,
                                          parameters).parameters))
           for name, value in entries.known.items()
           if name in rig.moving_edge and value != parameters[names.index(name)]]
    return Carried(
        rounding=_apart(nodes, whole, machine(entries, values)),
        own=tuple(sorted((o for o in own if not o.moves < _MOVES), key=lambda o: -o.moves)),
        left_out=tuple(left),
        off=_apart(nodes, machine(entries, typed, near) if left else whole))


#: What moves the edge by less is no difference, m.
_MOVES = 1e-5


def _apart(nodes, parameters, others=None):
    """How far the edges of two machines are apart at worst, m; the nodes' own if one is given."""
    if not np.isfinite(parameters).all():
        return np.nan
    off = nodes.error(parameters)
    if others is not None:
        off = off - nodes.error(others)
    return float(np.linalg.norm(off, axis=2)[nodes.seen].max(initial=0.0))


def within95(off: float, *random95: float) -> float:
    """What an edge is right to with 95 %, m, that is off by something and known to something.

    Sds are random: of parts that have nothing to do with each other, each 1.96 sd, the root of the
    sum of squares is 1.96 sd of them all. What rounding costs, and what a system holds of its own,
    is no spread but a bound on where the middle lies, so it is added: an error with the sd s about
    a middle at most b away stays within b + 1.96 s with at least 95 % (JCGM 100:2008, 5.1.2 and
    F.2.4.5, from memory). Where each is worst over the envelope, that is a bound too.

    Parameters
    ----------
    off : float
        The bound, m.
    *random95 : float
        1.96 sd each, m.

    Examples
    --------
    >>> round(within95(0.009, 0.003, 0.004), 6)
    0.014
    """
    return off + math.hypot(*random95)
