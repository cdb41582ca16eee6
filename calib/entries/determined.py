"""Whether a list of entries determines where the edge is."""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import qr

from calib.adjust.spectrum import Direction, Spectrum
from calib.chain.rig import Rig
from calib.entries.listed import EntryList, entry_values
from calib.entries.typed import asked, by_entries, known_to_system, widths

#: What is left open counts if a change of 1 m, or of a radian, moves the edge by more than this, m.
_MOVES = 1e-6


@dataclass(frozen=True)
class Open:
    """Something that moves the edge and changes no entry."""

    direction: Direction  #: The parameters, in m and rad.
    change: float  #: Of the first of them, m or rad.
    moves: float  #: The edge by that change, at worst, m.


@dataclass(frozen=True)
class Determined:
    """What a list of entries determines."""

    needed: int  #: Unknown parameters that the edge depends on.
    rank: int  #: How many of them the list tells.
    open: tuple[Open, ...]  #: What it leaves out; empty if it determines the edge.
    lacking: tuple[str, ...]  #: Parameters that, entered too, leave nothing out.
    #: What it takes for granted of what moves the edge, m or rad: held in the rig, or known to the
    #: system.
    taken: tuple[tuple[str, float], ...]
    unmoved: tuple[str, ...]  #: Entries that have nothing to do with the edge.
    tied: tuple[tuple[str, ...], ...]  #: Entries of which one follows from the others.
    rounding: np.ndarray  #: Shape (n,). What half a step of each moves the edge by, at worst, m.

    @property
    def complete(self) -> bool:
        """The list determines the edge."""
        return not self.open

def determined(rig: Rig, entries: EntryList, parameters: np.ndarray, edge: np.ndarray
               ) -> Determined:
    """Compare what moves the entries with what moves the edge.

    Parameters
    ----------
    parameters : ndarray, shape (p,)
        m or rad.
    edge : ndarray, shape (m, 3, p)
        Derivatives of points of the edge, at fixed readings.
    """
    at = known_to_system(rig, entries, parameters)
    _, gradient = entry_values(entries, at)
    moving = np.array([p.name in rig.moving_edge for p in rig.parameters])
    free = asked(rig, entries) & moving
    names = [p.name for p, is_free in zip(rig.parameters, free, strict=True) if is_free]
    typed, wide = gradient[:, free] / entries.steps[:, None], widths(rig)[free]
    spectrum = Spectrum.of(typed, wide)
    null = spectrum.right[:, spectrum.rank:]
    left = _that_move(edge[..., free] * spectrum.scale, null)
    opened = spectrum.directions(left, names)
    lacking = qr(left.T, mode="r", pivoting=True)[1][:left.shape[1]] if left.size else ()
    of_edge = np.abs(typed).max(1, initial=0.0) > 0
    moved = np.linalg.norm(edge[..., free] @ by_entries(typed, wide), axis=1).max(0, initial=0.0)
    return Determined(
        needed=int(free.sum()), rank=spectrum.rank,
        open=tuple(_open(d, names, edge[..., free], rig) for d in opened),
        lacking=tuple(names[i] for i in sorted(lacking)),
        taken=tuple((p.name, float(at[i])) for i, p in enumerate(rig.parameters)
                    if moving[i] and not free[i]),
        unmoved=tuple(name for name, is_ in zip(entries.names, of_edge, strict=True) if not is_),
        tied=_tied(typed[of_edge], [n for n, is_ in zip(entries.names, of_edge, strict=True)
                                    if is_]),
        rounding=moved / 2)


def _that_move(edge, null):
    """A basis of the part of a null space that moves the edge, shape (p, d)."""
    if not null.shape[1]:
        return null
    _, singular, right = np.linalg.svd((edge @ null).reshape(-1, null.shape[1]),
                                       full_matrices=False)
    return null @ right[singular > _MOVES].T


def _open(direction, names, edge, rig):
    """How much the edge moves for 10 mm, or a tenth of a degree, of the first name."""
    change = np.zeros(len(names))
    for name, amount in zip(direction.names, direction.amounts, strict=True):
        change[names.index(name)] = amount
    first = names.index(direction.names[0])
    unit = next(p.unit for p in rig.parameters if p.name == names[first])
    size = np.radians(0.1) if unit == "deg" else 0.010
    change *= size / change[first]
    moves = float(np.linalg.norm(edge @ change, axis=1).max(initial=0.0))
    return Open(direction, size, moves)


def _tied(typed, names):
    """Groups of entries of which one follows from the others."""
    if not len(names):
        return ()
    directions = Spectrum.of((typed / np.linalg.norm(typed, axis=1, keepdims=True)).T
                             ).null_directions(names)
    return tuple(d.names for d in directions)
