"""What one solved run says of its machine, as far as two of them can be held against each other."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from calib.calibration import HOUSE_PLACEMENT
from calib.chain.circle import differences
from calib.chain.rig import Rig
from calib.run.records import Machine, Tape


@dataclass(frozen=True)
class Survey:
    """What one solved run says of its machine."""

    rig: Rig
    #: parameters, covariance: shapes (p,) and (p, p), m or rad; zero rows where held.
    parameters: np.ndarray
    covariance: np.ndarray
    estimated: tuple[str, ...]  #: The parameters that were not held.
    tape: Tape  #: What took part in the solution.
    #: chi2, dof: Of the solution.
    chi2: float
    dof: int
    identity: str  #: Of the shots it comes from; empty if unknown.
    failed: tuple[str, ...] = ()  #: Gates of the result that failed.
    #: Tuple of (target, east, north, up). What was shot, site frame, m; empty if unknown.
    shots: tuple[tuple, ...] = ()
    #: Of the run's first pose, or the date of the job; empty if neither is stated.
    time: str = ""
    whose: tuple[str, str] = ("", "")  #: Machine and serial number as the job states them.
    #: What was known of the machine from other shots, and took part.
    machine: Machine | None = None
    sha256: str = ""  #: Of the result; empty for one in memory.
    #: Tuple of (name, east, north, up). That set-ups sighted, with errors of their own; site frame,
    #: m.
    known_points: tuple[tuple, ...] = ()

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
        posture = rig.chain.posture(self.parameters, HOUSE_PLACEMENT,
                                    rig.chain.readings_for(self.parameters, joints))
        targets = np.array([rig.target_names.index(name) for name in self.targets])
        points = posture.points(np.tile(targets, len(joints)),
                                np.repeat(np.arange(len(joints)), len(targets)))
        moved = np.abs(points.by_parameters).max((0, 1)) > 1e-9
        return frozenset(np.array(rig.parameter_names)[moved].tolist())


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
