"""What a pose tells: its shots' whitened design, with the errors of its readings."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from calib.adjust.whitening import misclosure_covariance, whiteners_of
from calib.calibration import HOUSE_PLACEMENT
from calib.chain.rig import Rig
from calib.layout import RIG, Layout, layout_of, placed
from calib.machine import about
from calib.run.records import Machine, Tape
from calib.taped import taped_quantities

#: Poses evaluated at once: keeps the memory for any number of candidates bounded.
_CHUNK = 2000

#: Nothing is unknown by more than this, in m or rad: keeps an empty plan regular. Stands, and
#: parameters that nobody tapes.
_STAND_SD, _PARAMETER_SD = 1000.0, 10.0

#: The sd of a reading that may be left empty: a plan does not count on it, rad.
_NOT_READ = 10.0


@dataclass(frozen=True)
class Noise:
    """Standard deviations that a plan counts on."""

    shot: np.ndarray  #: Shape (3,). East, north, up, m.
    readings: np.ndarray  #: Shape (n_readings,), rad.

    @classmethod
    def of(cls, rig: Rig) -> "Noise":
        """The sds of a rig file.

        Raises
        ------
        ValueError
            Naming the sds that it does not state.
        """
        missing = [f"readings.sd.{r.name}" for r in rig.readings if r.sd is None]
        missing += ["shots.sd"] if rig.shot_sd is None else []
        if missing or rig.shot_sd is None:
            raise ValueError(f"a plan needs these sds in the rig file: {', '.join(missing)}")
        return cls(rig.shot_sd, np.array([_NOT_READ if r.optional else r.sd for r in rig.readings]))


@dataclass(frozen=True)
class Taped:
    """What a tape tells beforehand."""

    names: tuple[str, ...]
    #: Shape (q, n_free). Derivative of each taped quantity by the free parameters.
    by_parameters: np.ndarray
    sd: np.ndarray  #: Shape (q,), m or rad.
    #: Shape (r, n_free). Equations of unit variance from an earlier result of the machine.
    machine: np.ndarray
    machine_names: tuple[str, ...] = ()  #: The parameters that they are about.

    @classmethod
    def usual(cls, rig: Rig) -> "Taped":
        """The taping that is usual for a rig, with its usual sds."""
        rows = [i for i, p in enumerate(rig.parameters) if p.tape_sd is not None and not p.held]
        return cls(
            tuple(rig.parameter_names[i] for i in rows),
            np.eye(len(rig.parameters))[rows][:, ~rig.held],
            np.array([rig.parameters[i].tape_sd for i in rows]),
            np.zeros((0, int((~rig.held).sum()))),
        )

    @classmethod
    def of(cls, rig: Rig, parameters: np.ndarray, tape: Tape) -> "Taped":
        """A tape that is there; what is held is not unknown and so left out."""
        used = [i for i, name in enumerate(tape.quantities) if name not in rig.untold]
        quantities = tuple(tape.quantities[i] for i in used)
        _, rates = taped_quantities(rig, parameters, quantities)
        return cls(quantities, rates[:, ~rig.held], tape.sd[used],
                   np.zeros((0, int((~rig.held).sum()))))

    def information(self) -> np.ndarray:
        """About the free parameters, shape (n_free, n_free)."""
        whitened = self.by_parameters / self.sd[:, None]
        return whitened.T @ whitened + self.machine.T @ self.machine

    def with_machine(self, rig: Rig, machine: Machine) -> "Taped":
        """The same beside what an earlier result says of the machine."""
        free = [p.name for p in rig.parameters if not p.held]
        told = about(machine, free)
        rows = np.zeros((len(told.root), len(free)))
        rows[:, [free.index(name) for name in told.names]] = told.root
        return replace(self, machine=rows, machine_names=told.names)


def pose_rows(
    rig: Rig, parameters: np.ndarray, readings: np.ndarray, targets: ArrayLike, noise: Noise,
    placement: np.ndarray = HOUSE_PLACEMENT, shot: np.ndarray | None = None,
    noted: np.ndarray | None = None,
) -> np.ndarray:
    """Whitened design of each pose on its own.

    One pose tells ``rows' rows`` about the free parameters and the placement of its stand: the
    mixed model's A' (B Q B' + S)^-1 A. A pose in which a sensor is blind tells nothing.

    Parameters
    ----------
    parameters : ndarray, shape (n_parameters,)
    readings : ndarray, shape (n_poses, n_readings), rad
    targets : sequence of int
        Index into the rig's targets.
    placement : ndarray, shape (4,)
        Of the stand. It matters only where what is known of that stand is added to these rows.
    shot : ndarray of bool, shape (n_poses, n_targets), optional
        Which targets are shot in which pose; the rows of the others are zero. All if not given.
    noted : ndarray, shape (n_poses, n_pose_columns), optional
        What is noted of each pose; nothing if not given.

    Returns
    -------
    ndarray, shape (n_poses, 3 * n_targets, k)
        By the free unknowns of the rig and of one stand.
    """
    targets, rows = np.asarray(targets, int), []
    for i in range(0, max(len(readings), 1), _CHUNK):
        some = slice(i, i + _CHUNK)
        design, covariance = pose_design(rig, parameters, readings[some], targets, noise, placement,
                                         None if noted is None else noted[some])
        rows.append(whitened(design, covariance, np.arange(len(targets)),
                             None if shot is None else np.asarray(shot)[some]))
    return np.concatenate(rows)


def whitened(design: np.ndarray, covariance: np.ndarray, places: np.ndarray,
             shot: np.ndarray | None = None) -> np.ndarray:
    """Rows of the targets at some places of `pose_design`, (n, 3 * places, k).

    Those of targets not shot (`shot`, bool, of all places) are zero.
    """
    k = (3 * places[:, None] + np.arange(3)).ravel()
    own, part = design[:, k], covariance[:, k[:, None], k]
    if shot is not None:
        lost = np.repeat(~shot[:, places], 3, axis=1)
        own = np.where(lost[:, :, None], 0.0, own)
        part = np.where(lost[:, :, None] | lost[:, None, :], np.eye(len(k)), part)
    rows: np.ndarray = whiteners_of(part) @ own
    return rows


def pose_design(rig: Rig, parameters: np.ndarray, readings: np.ndarray,
                targets: Sequence[int] | np.ndarray, noise: Noise,
                placement: np.ndarray = HOUSE_PLACEMENT, noted: np.ndarray | None = None,
                ) -> tuple[np.ndarray, np.ndarray]:
    """What `pose_rows` whitens: the design and the covariance of the shots of each pose.

    Shots of a pose share the errors of its readings.

    Returns
    -------
    design : ndarray, shape (n_poses, 3 * n_targets, k)
    covariance : ndarray, shape (n_poses, 3 * n_targets, 3 * n_targets), m2
    """
    n, t = len(readings), len(targets)
    layout = layout_of(rig, ("",))
    posture = rig.chain.posture(parameters, placement, readings, noted=noted)
    points = posture.points(np.tile(targets, n), np.repeat(np.arange(n), t))
    design = layout.dense(placed(points, np.zeros(n * t, int)))[:, :, ~layout.held]
    by_readings = points.by_readings.reshape(n, 3 * t, len(rig.readings))
    covariance = misclosure_covariance(
        np.diag(np.tile(noise.shot**2, t)), by_readings, np.diag(noise.readings**2))
    design = design.reshape(n, 3 * t, design.shape[2])
    blind = posture.blind.any(1)
    covariance[blind], design[blind] = np.eye(3 * t), 0.0
    return design, covariance


def next_to_nothing(layout: Layout) -> np.ndarray:
    """Information so small that it matters only where there is no other, a diagonal matrix."""
    weak = np.full(len(layout), _STAND_SD**-2.0)
    weak[layout.columns(RIG)] = _PARAMETER_SD**-2.0
    return np.diag(weak[~layout.held])


def prior_information(taped: Taped, layout: Layout) -> np.ndarray:
    """Information about the free unknowns before the first shot."""
    information, own = next_to_nothing(layout), layout.among_free(layout.columns(RIG))
    information[np.ix_(own, own)] += taped.information()
    return information
