"""From values as they are typed back to the machine that a system makes of them."""

from dataclasses import dataclass

import numpy as np

from calib.chain.rig import Rig
from calib.entries.listed import EntryList, entry_values

#: Newton's steps, and where they end: in steps of typing.
_MOST_STEPS, _SETTLED = 25, 1e-6

#: What a system may hold where a list asks for nothing: sd of an angle, rad, and of a length, m.
WIDE = {"deg": np.radians(3.0), "m": 0.1}

#: Singular values below this share of the largest count as zero.
_RANK = 1e-9

#: How far a machine may be from what is typed, in steps of typing, where a list asks for more
#: values than there are unknowns.
_NEAR = 1.0


@dataclass(frozen=True)
class Entered:
    """The machine that a system makes of typed values."""

    parameters: np.ndarray  #: Shape (p,), m or rad.
    left: float  #: What no machine can agree with: the largest difference, in steps of typing.

    @property
    def agrees(self) -> bool:
        """A machine has these values."""
        return bool(self.left <= _NEAR)


def asked(rig: Rig, entries: EntryList) -> np.ndarray:
    """Mask over the parameters that a list can set: not held, not known to the system, and what an
    entry names even so; shape (p,)."""
    named = {name for e in entries.entries for name in e.weights}
    return np.array([(not p.held or p.name in named) and p.name not in entries.known
                     for p in rig.parameters])


def known_to_system(rig: Rig, entries: EntryList, parameters: np.ndarray) -> np.ndarray:
    """Parameters with those that the system takes for granted put to its own values, (p,)."""
    parameters = np.array(parameters, float)
    for name, value in entries.known.items():
        parameters[rig.parameter_names.index(name)] = value
    return parameters


def rounded(entries: EntryList, values: np.ndarray) -> np.ndarray:
    """The nearest values that can be typed, shape (n,)."""
    return np.array([e.rounded(v) for e, v in zip(entries.entries, values, strict=True)])


def entered(rig: Rig, entries: EntryList, typed: np.ndarray, near: np.ndarray) -> Entered:
    """The machine nearest to `near` that has the values that were typed.

    Least squares in steps of typing where a list asks for more than the machine has; what no entry
    tells stays as it is in `near`.

    Parameters
    ----------
    typed : ndarray, shape (n,)
        In the entries' own units.
    near : ndarray, shape (p,)
        m or rad.
    """
    free = asked(rig, entries)
    parameters = known_to_system(rig, entries, near)
    step = np.inf
    for _ in range(_MOST_STEPS):
        off, gradient = _off(entries, typed, parameters)
        if not np.isfinite(off).all() or not np.isfinite(gradient).all():
            return Entered(parameters, np.inf)
        change = by_entries(gradient[:, free] / entries.steps[:, None], widths(rig)[free]) @ off
        step = float(np.abs(gradient[:, free] @ change / entries.steps).max(initial=0.0))
        parameters[free] += change
        if step < _SETTLED:
            break
    off, _ = _off(entries, typed, parameters)
    left = float(np.abs(off).max(initial=0.0))
    return Entered(parameters, left if np.isfinite(left) and step < 1.0 else np.inf)


def widths(rig: Rig) -> np.ndarray:
    """How far each parameter may be from where it is if nothing is typed of it, m or rad, (p,)."""
    return np.array([WIDE[p.unit] for p in rig.parameters])


def by_entries(design: np.ndarray, wide: np.ndarray) -> np.ndarray:
    """Pseudo-inverse, shape (p, n) of (n, p): of all changes that give what was typed the smallest
    in `wide`, shape (p,), so that what an entry hardly depends on does not move for it."""
    return wide[:, None] * np.linalg.pinv(design * wide, rcond=_RANK)


def _off(entries, typed, parameters):
    """Typed less what a machine has, in steps of typing; angles the short way round."""
    values, gradient = entry_values(entries, parameters)
    return entries.short_way(typed - values) / entries.steps, gradient
