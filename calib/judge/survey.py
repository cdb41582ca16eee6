"""What one solved run says of its machine, as far as two of them can be held against each other."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from calib.calibration import HOUSE_PLACEMENT
from calib.chain.circle import differences
from calib.chain.rig import Rig
from calib.run.records import Machine, Tape
from calib.taped import taped_quantities


@dataclass(frozen=True)
class Survey:
    """What one solved run says of its machine.

    Attributes
    ----------
    parameters, covariance : ndarray, shapes (p,) and (p, p)
        m or rad; zero rows where held.
    estimated : tuple of str
        The parameters that were not held.
    tape : Tape
        What took part in the solution.
    chi2, dof
        Of the solution.
    identity : str
        Of the shots it comes from; empty if unknown.
    failed : tuple of str
        Gates of the result that failed.
    shots : tuple of (target, east, north, up)
        What was shot, site frame, m; empty if unknown.
    time : str
        Of the run's first pose; empty if the run states no times.
    machine : Machine or None
        What was known of the machine from other shots, and took part.
    """

    rig: Rig
    parameters: np.ndarray
    covariance: np.ndarray
    estimated: tuple[str, ...]
    tape: Tape
    chi2: float
    dof: int
    identity: str
    failed: tuple[str, ...] = ()
    shots: tuple[tuple, ...] = ()
    time: str = ""
    machine: Machine | None = None

    def index(self, names: Iterable[str]) -> list[int]:
        """Where parameters are in the arrays."""
        return [self.rig.parameter_names.index(name) for name in names]

    def units(self, names: Iterable[str]) -> list[str]:
        """Units of parameters, "m" or "deg"."""
        return [self.rig.parameters[i].unit for i in self.index(names)]

    @property
    def targets(self) -> tuple[str, ...]:
        """The points that were shot; all that can be where that is unknown."""
        shot = {target for target, *_ in self.shots} or set(self.rig.target_names)
        return tuple(name for name in self.rig.target_names if name in shot)

    def mattering(self) -> frozenset[str]:
        """The parameters that move any point that was shot."""
        rig = self.rig
        joints, _ = rig.envelope_joints()
        house = np.tile(HOUSE_PLACEMENT, (len(joints), 1))
        posture = rig.chain.posture(
            self.parameters, house, rig.chain.readings_for(self.parameters, joints))
        targets = np.array([rig.target_names.index(name) for name in self.targets])
        points = posture.points(np.tile(targets, len(joints)),
                                np.repeat(np.arange(len(joints)), len(targets)))
        moved = np.abs(points.by_parameters).max((0, 1)) > 1e-9
        return frozenset(np.array(rig.parameter_names)[moved].tolist())


def shared_shots(first: Survey, second: Survey) -> int:
    """How many shots both come from: none if they are of two field days."""
    if first.identity != "" and first.identity == second.identity:
        return max(len(first.shots), 1)
    return len(set(first.shots) & set(second.shots))


def difference(first: Survey, second: Survey, names: Sequence[str]) -> np.ndarray:
    """Second less first, shape (n,), m or rad, angles the short way round."""
    return differences(second.parameters[second.index(names)],
                       first.parameters[first.index(names)], first.units(names))


def difference_covariance(first: Survey, second: Survey, names: Sequence[str]) -> np.ndarray:
    """Covariance of the difference of estimates, shape (n, n).

    Tape rows that took part in both correlate the estimates: with H1, H2 the gradients of the
    shared rows and T their covariance it is C1 + C2 - C1 H1' T^-1 H2 C2 - its transpose.
    """
    a, b = first.index(names), second.index(names)
    covariance = first.covariance[np.ix_(a, a)] + second.covariance[np.ix_(b, b)]
    rows = np.flatnonzero(same_rows(first.tape, second.tape))
    if len(rows):
        _, h1 = taped_quantities(first.rig, first.parameters, first.tape.quantities)
        _, h2 = taped_quantities(second.rig, second.parameters, first.tape.quantities)
        sd = first.tape.sd[rows]
        shared = ((first.covariance[a] @ h1[rows].T / sd)
                  @ (second.covariance[b] @ h2[rows].T / sd).T)
        covariance = covariance - shared - shared.T
    return covariance


def same_rows(tape: Tape, other: Tape) -> np.ndarray:
    """Mask over the rows of a tape: the other has the same quantity, value and sd, shape (q,)."""
    same = []
    for quantity, value, sd, unit in zip(tape.quantities, tape.value, tape.sd, tape.si_units,
                                         strict=True):
        i = other.quantities.index(quantity) if quantity in other.quantities else None
        same.append(i is not None and bool(
            np.isclose(differences(other.value[i], value, unit), 0, atol=1e-9)
            and np.isclose(other.sd[i], sd, rtol=1e-6)))
    return np.array(same, bool)

