"""What other shots say of a machine, as a prior on its parameters.

It is kept as a square root of the information, as in G. J. Bierman, *Factorization Methods for
Discrete Sequential Estimation*, Academic Press 1977 (from memory): that also holds what tells some
combinations of parameters only, and nothing is inverted on the way.
"""

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from calib.adjust.observations import Prior
from calib.adjust.whitening import whiteners_of
from calib.chain.rig import Rig
from calib.run.records import Machine

#: Singular values of scaled rows below this share of the largest are nothing.
_NOTHING = 1e-10


def machine_of(names: tuple[str, ...], value: np.ndarray, covariance: np.ndarray, source: str,
               sha256: str = "") -> Machine:
    """A machine of which estimates and their covariance are known.

    Parameters
    ----------
    value : ndarray, shape (n,)
        m or rad.
    covariance : ndarray, shape (n, n)
        Positive definite.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the covariance is not positive definite.
    """
    sd = np.sqrt(np.diag(covariance))
    root = whiteners_of(covariance / np.outer(sd, sd)) / sd
    return Machine(tuple(names), np.asarray(value, float), root, source, sha256)


def about(machine: Machine, names: Collection[str]) -> Machine:
    """The same about some of its parameters, the others free to be anything."""
    kept = np.array([name in names for name in machine.names], bool)
    if kept.all():
        return machine
    return replace(machine, names=tuple(n for n in machine.names if n in names),
                   value=machine.value[kept],
                   root=trimmed(freed(machine.root[:, ~kept], machine.root[:, kept])))


def freed(free: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """What rows (n, k) tell if the columns `free` (n, m) of the same equations may be anything."""
    left, singular, _ = np.linalg.svd(free / _scale(free), full_matrices=False)
    left = left[:, singular > _NOTHING * singular.max(initial=1e-300)]
    return rows - left @ (left.T @ rows)


def trimmed(rows: np.ndarray) -> np.ndarray:
    """As many rows as tell something, with the same square: ``rows' rows``."""
    scale = _scale(rows)
    _, singular, right = np.linalg.svd(rows / scale, full_matrices=False)
    told = singular > _NOTHING * singular.max(initial=1e-300)
    return singular[told, None] * right[told] * scale


def _scale(columns):
    size = np.linalg.norm(columns, axis=0)
    return np.where(size > 0, size, 1.0)


@dataclass(frozen=True)
class _Told:
    """Independent combinations of the machine's parameters as a function of all unknowns."""

    root: np.ndarray
    columns: np.ndarray

    def __call__(self, unknowns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        gradient = np.zeros((len(self.root), len(unknowns)))
        gradient[:, self.columns] = self.root
        return self.root @ unknowns[self.columns], gradient


def prior_of(machine: Machine | None, rig: Rig, columns: np.ndarray) -> Prior:
    """What is known of a machine as pseudo-observations; of what is held nothing is used.

    Parameters
    ----------
    columns : ndarray of int, shape (n_parameters,)
        Where the rig's parameters are among the unknowns.
    """
    if machine is None:
        return Prior.none()
    machine = about(machine, {p.name for p in rig.parameters if not p.held})
    place = columns[[rig.parameter_names.index(name) for name in machine.names]]
    q = len(machine.root)
    return Prior(tuple(f"{i + 1} of the machine" for i in range(q)), machine.root @ machine.value,
                 np.eye(q), _Told(machine.root, place))
