"""A plan: which poses to shoot, in which order, and what they will give."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from calib.chain.rig import Rig
from calib.edge import EdgeNodes, envelope_edge
from calib.plan.candidates import Candidates, Site, candidate_poses
from calib.plan.exchange import (
    Pool,
    determinant_bound,
    determinant_gain,
    exchange,
    greedy,
    variance_bound,
    variance_gain,
    worst_gain,
)
from calib.plan.information import Noise, pose_rows, prior_information
from calib.plan.order import field_minutes, shortest_tour, travel_seconds
from calib.plan.robust import Robustness, robustness
from calib.plan.tolerance import joint_tolerances

#: Criteria a plan can be made for.
EDGE, PARAMETERS = "edge", "parameters"

#: Exchange looks at so many of the best candidates; the last polish, on the worst node, at fewer.
_SHORTLIST, _POLISH = 2000, 60


@dataclass(frozen=True)
class Task:
    """What a plan is made for.

    Attributes
    ----------
    rig : Rig
    parameters : ndarray, shape (n_parameters,)
        As far as they are known: template or tape; m or rad.
    tape_sd : ndarray, shape (n_parameters,)
        NaN where nothing is taped.
    targets : tuple of int
        Shot in every pose.
    noise : Noise
    site : Site
    seed, count : int
        Of the candidates.
    """

    rig: Rig
    parameters: np.ndarray
    tape_sd: np.ndarray
    targets: tuple[int, ...]
    noise: Noise
    site: Site = field(default_factory=Site)
    seed: int = 0
    count: int = 20_000

    @classmethod
    def for_rig(cls, rig: Rig, targets: Sequence[str] = ("edge_left", "edge_right"), **changes):
        """A task at the template's values, with the taping that is usual for it."""
        return cls(
            rig=rig,
            parameters=rig.start,
            tape_sd=np.array([np.nan if p.tape_sd is None else p.tape_sd for p in rig.parameters]),
            targets=tuple(rig.target_names.index(name) for name in targets),
            noise=Noise.of(rig),
            **changes,
        )


@dataclass(frozen=True)
class Prepared:
    """A task with its candidates evaluated: what plans of any size are chosen from.

    Attributes
    ----------
    by_parameters : ndarray, shape (nodes, 3, n_free)
        Derivatives of the edge over the envelope, house frame, readings held fixed.
    form : ndarray, shape (n_free, n_free)
        ``trace(form @ covariance)`` is the mean edge variance.
    """

    task: Task
    candidates: Candidates
    rows: np.ndarray
    by_parameters: np.ndarray
    form: np.ndarray

    def pool(self, stands: int) -> Pool:
        """The candidates over a number of stands, with the tape as prior."""
        prior = prior_information(self.task.rig, self.task.tape_sd, stands)
        return Pool(self.rows, prior, self.form.shape[0], stands)


@dataclass(frozen=True)
class Plan:
    """Poses in the order in which they are to be driven.

    Attributes
    ----------
    joints, readings, tolerance : ndarray, shape (n_poses, n_readings)
        rad; the tolerance says how far off a joint may be (NaN: nobody drives it).
    stand : ndarray of int, shape (n_poses,)
    covariance : ndarray, shape (n_free, n_free)
        Predicted, of the free parameters.
    edge_sd : ndarray, shape (nodes,)
        Predicted 3-D sd of the edge over the envelope, m.
    efficiency : float
        At least this share of what the best plan with continuous weights reaches.
    minutes : float
        Time in the field.
    """

    prepared: Prepared
    criterion: str
    joints: np.ndarray
    readings: np.ndarray
    tolerance: np.ndarray
    stand: np.ndarray
    covariance: np.ndarray
    edge_sd: np.ndarray
    efficiency: float
    robustness: Robustness
    minutes: float


def prepare(task: Task, nodes: EdgeNodes | None = None) -> Prepared:
    """Find and evaluate the candidates of a task.

    Parameters
    ----------
    nodes : EdgeNodes, optional
        The working envelope; the rig's own if not given.

    Raises
    ------
    NoPose
        If the limits leave no pose.
    """
    rig = task.rig
    candidates = candidate_poses(rig, task.parameters, task.targets, task.site, task.count,
                                 task.seed)
    rows = pose_rows(rig, task.parameters, candidates.joints, task.targets, task.noise)
    nodes = envelope_edge(rig, task.parameters) if nodes is None else nodes
    by_parameters = nodes.by_parameters[nodes.seen][..., ~rig.held]
    by_parameters = by_parameters.reshape(-1, *by_parameters.shape[2:])
    form = np.einsum("nci,ncj->ij", by_parameters, by_parameters) / len(by_parameters)
    return Prepared(task, candidates, rows, by_parameters, form)


def make_plan(prepared: Prepared, poses: int, stands: int = 1, criterion: str = EDGE) -> Plan:
    """Choose, order and judge a number of poses.

    Poses are dealt to the stands evenly. For the edge the mean variance over the envelope is
    exchanged to its optimum and the worst node polished; for the parameters the determinant.
    """
    pool, groups = prepared.pool(stands), np.arange(poses) % stands
    design = chosen(prepared, pool, groups, criterion)
    place = _worked(prepared.task.rig, prepared.candidates.joints[design], groups)
    return _judged(prepared, pool, np.asarray(design)[place], groups[place], criterion)


def chosen(prepared: Prepared, pool: Pool, groups, criterion: str = EDGE) -> list[int]:
    """The candidates of a plan, not yet in order."""
    gain = determinant_gain if criterion == PARAMETERS else variance_gain(prepared.form)
    design = greedy(pool, groups, gain)
    design = exchange(pool, design, groups, gain,
                      shortlist=_best(pool, design, groups, gain, _SHORTLIST))
    if criterion == EDGE:
        polish = _best(pool, design, groups, gain, _POLISH)
        design = exchange(pool, design, groups, worst_gain(prepared.by_parameters),
                          shortlist=polish, passes=2)
    return design


def edge_sds(prepared: Prepared, covariance: np.ndarray) -> np.ndarray:
    """3-D sd of the edge over the envelope, shape (nodes,), m."""
    j = prepared.by_parameters
    return np.sqrt(np.einsum("nci,ij,ncj->n", j, covariance, j, optimize=True))


def _best(pool, design, groups, gain, count):
    """The candidates that would gain most if added, over all groups."""
    covariance = np.linalg.inv(pool.information(design, groups))
    gains = np.max([gain(pool, covariance, int(g), slice(None)) for g in np.unique(groups)], axis=0)
    return np.sort(np.argsort(-gains, kind="stable")[:count])


def _worked(rig, joints, groups):
    """Stand by stand, within each a short tour."""
    order = []
    for group in np.unique(groups):
        places = np.flatnonzero(groups == group)
        order.extend(places[shortest_tour(travel_seconds(rig, joints[places]))])
    return np.array(order)


def _judged(prepared, pool, design, groups, criterion):
    task, p = prepared.task, prepared.form.shape[0]
    rig, joints = task.rig, prepared.candidates.joints[design]
    covariance = np.linalg.inv(pool.information(design, groups))[:p, :p]
    efficiency = (
        determinant_bound(pool, design, groups) if criterion == PARAMETERS
        else variance_bound(pool, design, groups, prepared.form)
    )
    without = [
        pose_rows(rig, task.parameters, joints, [t for t in task.targets if t != lost], task.noise)
        for lost in task.targets
    ]
    taped = prior_information(rig, task.tape_sd, pool.groups)
    taped[p:, p:] = 0.0
    return Plan(
        prepared=prepared,
        criterion=criterion,
        joints=joints,
        readings=rig.chain.readings_for(task.parameters, joints),
        tolerance=joint_tolerances(rig, task.parameters, joints, task.targets, task.noise, pool,
                                   design, groups, prepared.form),
        stand=groups,
        covariance=covariance,
        edge_sd=edge_sds(prepared, covariance),
        efficiency=efficiency,
        robustness=robustness(pool, design, groups, without, prepared.by_parameters, taped,
                              task.seed),
        minutes=sum(
            field_minutes(rig, joints[groups == g], int(np.sum(groups == g)) * len(task.targets))
            for g in np.unique(groups)
        ),
    )


def without_noise(prepared: Prepared, plan: Plan) -> dict[str, float]:
    """What bounds a plan: worst edge sd, m, if one source of error were gone.

    Returns
    -------
    dict of str to float
        For the shots, every sensor and every taped value, by name.
    """
    task, bounds = prepared.task, {}

    def worst(noise, tape_sd):
        rows = pose_rows(task.rig, task.parameters, plan.joints, task.targets, noise)
        stands = int(plan.stand.max()) + 1
        prior = prior_information(task.rig, tape_sd, stands)
        pool = Pool(rows, prior, prepared.form.shape[0], stands)
        information = pool.information(np.arange(len(rows)), plan.stand)
        covariance = np.linalg.inv(information)[: pool.parameters, : pool.parameters]
        return float(edge_sds(prepared, covariance).max())

    bounds["shots"] = worst(replace(task.noise, shot=task.noise.shot / 100), task.tape_sd)
    for i, name in enumerate(task.rig.reading_names):
        readings = task.noise.readings.copy()
        readings[i] /= 100
        bounds[name] = worst(replace(task.noise, readings=readings), task.tape_sd)
    for i in np.flatnonzero(np.isfinite(task.tape_sd) & ~task.rig.held):
        tape_sd = task.tape_sd.copy()
        tape_sd[i] /= 100
        bounds[f"tape of {task.rig.parameter_names[i]}"] = worst(task.noise, tape_sd)
    return bounds
