"""What a tape can measure of a rig: its parameters and its derived quantities."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.chain.derived import derived_values
from calib.chain.rig import Rig


def tapeable(rig: Rig) -> tuple[str, ...]:
    """The names of parameters, then of derived quantities."""
    return (*rig.parameter_names, *(d.name for d in rig.derived))


def taped_quantities(
    rig: Rig, parameters: np.ndarray, names: Sequence[str]
) -> tuple[np.ndarray, np.ndarray]:
    """Computed values of what is taped, and their gradient.

    Parameters
    ----------
    parameters : ndarray, shape (p,)
        m or rad.
    names : sequence of str
        Each one of `tapeable`.

    Returns
    -------
    values : ndarray, shape (q,)
    gradient : ndarray, shape (q, p)
    """
    every, p = tapeable(rig), len(parameters)
    pick = [every.index(name) for name in names]
    if max(pick, default=0) < p:
        return parameters[pick], np.eye(p)[pick]
    values, gradient = derived_values(rig, parameters)
    return np.append(parameters, values)[pick], np.vstack([np.eye(p), gradient])[pick]


@dataclass(frozen=True)
class TapedFunction:
    """What is taped as a function of all unknowns."""

    rig: Rig
    names: tuple[str, ...]  #: What is taped.
    #: Shape (q,). Their values, m or rad: a bearing is taken within half a turn of its own.
    taped: np.ndarray
    #: Int, shape (n_parameters,). Where the rig's parameters are among the unknowns.
    columns: np.ndarray

    def __call__(self, unknowns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Values, shape (q,), and gradient, shape (q, n_unknowns)."""
        values, by_parameters = taped_quantities(self.rig, unknowns[self.columns], self.names)
        gradient = np.zeros((len(values), len(unknowns)))
        gradient[:, self.columns] = by_parameters
        if self._bearings.any():
            turns = np.round((values - self.taped) / (2 * np.pi)) * self._bearings
            values = values - 2 * np.pi * turns
        return values, gradient

    @cached_property
    def _bearings(self):
        """Which of the values are bearings, of which whole turns do not matter."""
        bearings = {d.name for d in self.rig.derived if d.unit == "deg"}
        return np.array([name in bearings for name in self.names], bool)
