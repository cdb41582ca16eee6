"""A plan: which poses to shoot, in which order, and what they will give."""

from dataclasses import dataclass, replace

import numpy as np

from calib.adjust.observability import Observability
from calib.adjust.spectrum import Spectrum
from calib.chain.motion import PLACEMENT
from calib.plan.bound import determinant_efficiency, least_variance
from calib.plan.choose import EDGE, PARAMETERS, of_poses, within_minutes
from calib.plan.exchange import Pool
from calib.plan.information import pose_rows
from calib.plan.losses import Robustness, robustness
from calib.plan.order import FieldMinutes, field_minutes, in_working_order
from calib.plan.task import Prepared
from calib.plan.tolerance import reading_tolerances

#: Random ways of being off everywhere at once that are looked at.
_DRAWS = 20


@dataclass(frozen=True)
class Plan:
    """Poses in the order in which they are to be driven.

    Attributes
    ----------
    design : ndarray of int, shape (n_poses,)
        Index into the bundles.
    shots : ndarray of bool, shape (n_poses, t)
        Which of the task's targets are shot.
    stand : ndarray of int, shape (n_poses,)
    joints, readings : ndarray, shape (n_poses, n_readings)
        rad.
    noted : ndarray, shape (n_poses, n_pose_columns)
        What is to be noted of each pose, as numbers; see `calib.chain.parts.PoseColumn`.
    tolerance : ndarray, shape (n_poses, n_readings, 2)
        How far a reading may be below and above, rad; NaN where nobody drives it.
    information : ndarray
        Predicted, about free parameters and stands, the tape included.
    edge_sd : ndarray, shape (nodes,)
        Predicted 3-D sd of the edge over the envelope, m.
    loose_sd : float
        Worst edge sd if every reading lay anywhere in its range, m: median of random draws.
    efficiency : float
        At least this share of the best that continuous weights could reach in the minutes of the
        plan: ratio of mean edge variances, or of determinants to the power 1 / unknowns.
    undetermined : tuple of str
        What the shots alone leave undetermined, in words.
    """

    prepared: Prepared
    criterion: str
    design: np.ndarray
    shots: np.ndarray
    stand: np.ndarray
    joints: np.ndarray
    readings: np.ndarray
    noted: np.ndarray
    tolerance: np.ndarray
    information: np.ndarray
    edge_sd: np.ndarray
    loose_sd: float
    minutes: FieldMinutes
    efficiency: float
    robustness: Robustness
    observability: Observability
    undetermined: tuple[str, ...]

    def __repr__(self) -> str:
        return (f"<Plan: {len(self.stand)} poses, {self.minutes.total:.0f} minutes, sd of the edge "
                f"at worst {1000 * float(np.max(self.edge_sd)):.1f} mm>")

    @property
    def stands(self) -> int:
        return int(self.stand.max()) + 1


def make_plan(prepared: Prepared, poses: int | None = None, stands: int = 1,
              criterion: str = EDGE, minutes: float | None = None) -> Plan:
    """Choose, order and judge what to shoot: so many poses, or what so many minutes are good for.

    For the edge the mean variance over the envelope is exchanged to its optimum and the worst node
    polished; for the parameters the determinant.
    """
    if minutes is not None and poses is None:
        design, pool = within_minutes(prepared, minutes, stands, criterion)
    elif poses is not None and minutes is None:
        design, pool = of_poses(prepared, poses, stands, criterion)
    else:
        raise ValueError("either a number of poses or minutes")
    candidates, groups = np.array(design.candidates), np.array(design.groups)
    order = in_working_order(prepared.task.rig, prepared.joints_of(candidates), groups)
    return judged(prepared, pool, candidates[order], groups[order], criterion)


def judged(prepared: Prepared, pool: Pool, design: np.ndarray, groups: np.ndarray,
           criterion: str = EDGE) -> Plan:
    """A plan of bundles in the order in which they are shot, with all that it is worth."""
    task, bundles = prepared.task, prepared.bundles
    rig, readings = task.rig, prepared.readings[bundles.pose[design]]
    noted = prepared.noted(design)
    shots, joints = bundles.shots[design], prepared.joints_of(design)
    information = pool.information(design, groups)
    edge_sd = prepared.edge_sds(information)
    if criterion == PARAMETERS:
        efficiency = determinant_efficiency(pool, design, groups)
    else:
        least = least_variance(pool, design, groups, prepared.form)
        efficiency = min(1.0, least / float(np.mean(edge_sd**2)))
    known = _of_machine(task, len(pool.prior))
    stacked = np.vstack([_stacked(pool, design, groups), known])
    seen = Spectrum.of(stacked[:, told(prepared, shots, pool.groups)])
    tolerance = reading_tolerances(task, readings, shots, pool, design, groups, prepared.form,
                                   noted)
    return Plan(
        prepared=prepared,
        criterion=criterion,
        design=design,
        shots=shots,
        stand=groups,
        joints=joints,
        readings=readings,
        noted=noted,
        tolerance=tolerance,
        information=information,
        edge_sd=edge_sd,
        loose_sd=_loose_sd(prepared, pool, readings, noted, shots, tolerance, groups),
        minutes=field_minutes(rig, joints, groups,
                              np.sum(bundles.minutes[design] - rig.effort.settle)),
        efficiency=efficiency,
        robustness=robustness(pool, design, groups,
                              _rows_without_a_target(task, readings, noted, shots),
                              shots[:, shots.any(0)], prepared.edge_sds, task.seed,
                              known.T @ known, _waiting(task, len(pool.prior))),
        observability=Observability.of(
            np.where(seen.singular > 0, seen.singular, 0.0), len(design)),
        undetermined=tuple(str(d) for d in seen.null_directions(
            _names(task, pool.groups)[told(prepared, shots, pool.groups)])),
    )


def told(prepared: Prepared, shots: np.ndarray, stands: int) -> np.ndarray:
    """Mask of the unknowns without those that are there only for targets that nobody shoots."""
    task = prepared.task
    shot = [task.targets[k] for k in np.flatnonzero(shots.any(0))]
    held = task.rig.when_shot(shot).held[~task.rig.held]
    # Where the slew may be left empty, heading and slew are one until it is read once.
    of_stand = np.array([name != "heading" or not any(r.optional for r in task.rig.readings)
                         for name in PLACEMENT])
    return np.append(~held, np.tile(of_stand, stands))


def _names(task, stands):
    return np.array([*task.free_names, *(f"{what} of stand {g + 1}" for g in range(stands)
                                         for what in PLACEMENT)], dtype=object)


def _loose_sd(prepared, pool, readings, noted, shots, tolerance, groups):
    """Worst edge sd with all readings anywhere in their ranges, median of random draws."""
    task, places = prepared.task, np.arange(len(readings))
    rng, span = np.random.default_rng(task.seed), np.nan_to_num(tolerance)
    worst = []
    for _ in range(_DRAWS):
        moved = readings + rng.uniform(-span[..., 0], span[..., 1])
        rows = pose_rows(task.rig, task.parameters, moved, task.targets, task.noise, shot=shots,
                         noted=noted)
        worst.append(prepared.worst(replace(pool, rows=rows).information(places, groups)))
    return float(np.median(worst))


def _rows_without_a_target(task, readings, noted, shots):
    """Rows of the poses without each target in turn that is shot at all."""
    for lost in np.flatnonzero(shots.any(0)):
        left = shots & (np.arange(shots.shape[1]) != lost)
        yield pose_rows(task.rig, task.parameters, readings, task.targets, task.noise, shot=left,
                        noted=noted)


def _waiting(task, n_unknowns):
    """Mask of the unknowns that are held until a shot tells of them."""
    free = [p.until_shot for p in task.rig.parameters if not p.held]
    return np.append(free, np.zeros(n_unknowns - len(free), bool)).astype(bool)


def _of_machine(task, n_unknowns):
    """What an earlier result says of the machine, as rows of a design without any prior."""
    told = np.zeros((0, 0)) if task.taped.machine is None else task.taped.machine
    return np.pad(told, ((0, 0), (0, n_unknowns - told.shape[1])))


def _stacked(pool, design, groups):
    """The whitened design of all poses without any prior, one below the other."""
    stacked = np.zeros((len(design), pool.rows.shape[1], len(pool.prior)))
    for place, (candidate, group) in enumerate(zip(design, groups, strict=True)):
        stacked[place][:, pool.columns(int(group))] = pool.rows[candidate]
    return stacked.reshape(-1, stacked.shape[2])
