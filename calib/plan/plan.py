"""A plan: which poses to shoot, in which order, and what they will give."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from calib.adjust.observability import Observability
from calib.adjust.spectrum import Spectrum
from calib.calibration import tape_by_parameter
from calib.chain.motion import PLACEMENT
from calib.chain.rig import Rig
from calib.edge import EdgeNodes, edge_points, envelope_edge
from calib.plan.bound import determinant_efficiency, least_variance
from calib.plan.candidates import Candidates, Site, candidate_poses
from calib.plan.exchange import (
    Pool,
    determinant_gain,
    exchange,
    greedy,
    variance_gain,
    worst_gain,
)
from calib.plan.information import Noise, Taped, pose_rows, prior_information
from calib.plan.order import shortest_tour, travel_seconds
from calib.plan.robust import Robustness, robustness
from calib.plan.tolerance import reading_tolerances
from calib.run.records import Tape

#: Criteria a plan can be made for.
EDGE, PARAMETERS = "edge", "parameters"

#: Exchange looks at so many of the best candidates; the last polish, on the worst node, at fewer.
_SHORTLIST, _POLISH = 1000, 60

#: Random ways of being off everywhere at once that are looked at.
_DRAWS = 20


@dataclass(frozen=True)
class Task:
    """What a plan is made for.

    Attributes
    ----------
    rig : Rig
    parameters : ndarray, shape (n_parameters,)
        As far as they are known: template or tape; m or rad.
    taped : Taped
    targets : tuple of int
        Shot in every pose.
    noise : Noise
    site : Site
    seed, count : int
        Of the candidates.
    """

    rig: Rig
    parameters: np.ndarray
    taped: Taped
    targets: tuple[int, ...]
    noise: Noise
    site: Site = field(default_factory=Site)
    seed: int = 0
    count: int = 20_000

    @classmethod
    def for_rig(
        cls, rig: Rig, tape: Tape | None = None, targets: Sequence[str] = (), *,
        parameters: np.ndarray | None = None, noise: Noise | None = None, **changes,
    ):
        """A task at the taped values where there is a tape, else the template's.

        Parameters
        ----------
        tape : Tape, optional
            The taping that is usual for the rig, if not given.
        targets : sequence of str
            Both ends of the edge if none is named.
        parameters : ndarray, shape (n_parameters,), optional
            In place of the taped values, m or rad.
        noise : Noise, optional
            In place of the rig's sds.
        """
        if parameters is None:
            taped = np.full(len(rig.start), np.nan) if tape is None else tape_by_parameter(
                rig, tape)[0]
            parameters = np.where(np.isfinite(taped), taped, rig.start)
        ends = tuple(sorted({edge_points(rig)[0], edge_points(rig)[-1]}))
        return cls(
            rig=rig,
            parameters=parameters,
            taped=Taped.usual(rig) if tape is None else Taped.of(rig, parameters, tape),
            targets=tuple(rig.target_names.index(name) for name in targets) or ends,
            noise=Noise.of(rig) if noise is None else noise,
            **changes,
        )

    @property
    def free_names(self) -> tuple[str, ...]:
        """Names of the parameters that are estimated."""
        return tuple(p.name for p in self.rig.parameters if not p.held)


@dataclass(frozen=True)
class Prepared:
    """A task with its candidates evaluated: what plans of any size are chosen from.

    Attributes
    ----------
    readings : ndarray, shape (n, n_readings)
        Of the candidates, rad.
    rows : ndarray, shape (n, m, n_free + 4)
        See `calib.plan.information.pose_rows`.
    by_parameters : ndarray, shape (nodes, 3, n_free)
        Derivatives of the edge over the envelope, house frame, readings held fixed.
    form : ndarray, shape (n_free, n_free)
        ``trace(form @ covariance)`` is the mean edge variance.
    """

    task: Task
    candidates: Candidates
    readings: np.ndarray
    rows: np.ndarray
    by_parameters: np.ndarray
    form: np.ndarray

    @property
    def n_free(self) -> int:
        return self.form.shape[0]

    def pool(self, stands: int) -> Pool:
        """The candidates over a number of stands, with the tape as prior."""
        return Pool(self.rows, prior_information(self.task.taped, stands), self.n_free, stands)

    def edge_sds(self, information: np.ndarray) -> np.ndarray:
        """3-D sd of the edge over the envelope, shape (nodes,), m.

        From the information about the free parameters and whatever comes after them.
        """
        own = np.linalg.inv(information)[: self.n_free, : self.n_free]
        j = self.by_parameters
        return np.sqrt(np.einsum("nci,ij,ncj->n", j, own, j, optimize=True))


@dataclass(frozen=True)
class Plan:
    """Poses in the order in which they are to be driven.

    Attributes
    ----------
    design : ndarray of int, shape (n_poses,)
        Index into the candidates.
    stand : ndarray of int, shape (n_poses,)
    joints, readings : ndarray, shape (n_poses, n_readings)
        rad.
    tolerance : ndarray, shape (n_poses, n_readings, 2)
        How far a reading may be below and above, rad; NaN where nobody drives it.
    information : ndarray
        Predicted, about free parameters and stands, the tape included.
    edge_sd : ndarray, shape (nodes,)
        Predicted 3-D sd of the edge over the envelope, m.
    loose_sd : float
        Worst edge sd if every reading lay anywhere in its range, m: median of random draws.
    efficiency : float
        At least this share of the best that continuous weights could reach: ratio of mean edge
        variances, or of determinants to the power 1 / unknowns.
    undetermined : tuple of str
        What the shots alone leave undetermined, in words.
    """

    prepared: Prepared
    criterion: str
    design: np.ndarray
    stand: np.ndarray
    joints: np.ndarray
    readings: np.ndarray
    tolerance: np.ndarray
    information: np.ndarray
    edge_sd: np.ndarray
    loose_sd: float
    efficiency: float
    robustness: Robustness
    observability: Observability
    undetermined: tuple[str, ...]

    @property
    def stands(self) -> int:
        return int(self.stand.max()) + 1


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
    readings = rig.chain.readings_for(task.parameters, candidates.joints)
    rows = pose_rows(rig, task.parameters, readings, task.targets, task.noise)
    nodes = envelope_edge(rig, task.parameters) if nodes is None else nodes
    by_parameters = nodes.by_parameters[nodes.seen][..., ~rig.held]
    by_parameters = by_parameters.reshape(-1, *by_parameters.shape[2:])
    form = np.einsum("nci,ncj->ij", by_parameters, by_parameters) / len(by_parameters)
    return Prepared(task, candidates, readings, rows, by_parameters, form)


def dealt(poses: int, stands: int) -> np.ndarray:
    """The stand of each of so many poses: in turn, as even as can be."""
    return np.arange(poses) % stands


def make_plan(prepared: Prepared, poses: int, stands: int = 1, criterion: str = EDGE) -> Plan:
    """Choose, order and judge a number of poses.

    For the edge the mean variance over the envelope is exchanged to its optimum and the worst node
    polished; for the parameters the determinant.
    """
    pool, groups = prepared.pool(stands), dealt(poses, stands)
    design = np.asarray(chosen(prepared, pool, groups, criterion))
    order = _worked(prepared.task.rig, prepared.candidates.joints[design], groups)
    return _judged(prepared, pool, design[order], groups[order], criterion)


def chosen(prepared: Prepared, pool: Pool, groups, criterion: str = EDGE, start=None) -> list[int]:
    """The candidates of a plan, not yet in order; `start` is a design to exchange from."""
    gain = determinant_gain if criterion == PARAMETERS else variance_gain(prepared.form)
    distinct = repeats_nothing(pool, groups)
    design = greedy(pool, groups, gain, distinct) if start is None else start
    design = exchange(pool, design, groups, gain, distinct=distinct,
                      shortlist=_best(pool, design, groups, gain, _SHORTLIST))
    if criterion == EDGE:
        polish = _best(pool, design, groups, gain, _POLISH)
        design = exchange(pool, design, groups, worst_gain(prepared.by_parameters),
                          shortlist=polish, passes=2, distinct=distinct)
    return design


def repeats_nothing(pool: Pool, groups) -> bool:
    """Whether a plan can do without driving to the same pose twice: errors may come back too."""
    return len(pool.rows) >= len(groups)


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
    task = prepared.task
    rig, readings = task.rig, prepared.readings[design]
    information = pool.information(design, groups)
    edge_sd = prepared.edge_sds(information)
    if criterion == PARAMETERS:
        efficiency = determinant_efficiency(pool, design, groups)
    else:
        least = least_variance(pool, design, groups, prepared.form)
        efficiency = min(1.0, least / float(np.mean(edge_sd**2)))
    seen = Spectrum.of(_stacked(pool, design, groups))
    tolerance = reading_tolerances(rig, task.parameters, readings, task.targets, task.noise,
                                   task.site, pool, design, groups, prepared.form)
    return Plan(
        prepared=prepared,
        criterion=criterion,
        design=design,
        stand=groups,
        joints=prepared.candidates.joints[design],
        readings=readings,
        tolerance=tolerance,
        information=information,
        edge_sd=edge_sd,
        loose_sd=_loose_sd(prepared, readings, tolerance, groups),
        efficiency=efficiency,
        robustness=robustness(pool, design, groups, _rows_without_a_target(task, readings),
                              prepared.edge_sds, task.seed),
        observability=Observability.of(
            np.where(seen.singular > 0, seen.singular, 0.0), len(design)),
        undetermined=tuple(str(d) for d in seen.null_directions(
            (*task.free_names, *(f"{what} of stand {g + 1}" for g in range(pool.groups)
                                 for what in PLACEMENT)))),
    )


def _loose_sd(prepared, readings, tolerance, groups):
    """Worst edge sd with all readings anywhere in their ranges, median of random draws."""
    task, stands = prepared.task, int(groups.max()) + 1
    rng, span = np.random.default_rng(task.seed), np.nan_to_num(tolerance)
    worst = []
    for _ in range(_DRAWS):
        moved = readings + rng.uniform(-span[..., 0], span[..., 1])
        rows = pose_rows(task.rig, task.parameters, moved, task.targets, task.noise)
        pool = Pool(rows, prior_information(task.taped, stands), prepared.n_free, stands)
        worst.append(prepared.edge_sds(pool.information(np.arange(len(rows)), groups)).max())
    return float(np.median(worst))


def _rows_without_a_target(task, readings):
    """Rows of the poses without each target in turn; without the only one nothing is left."""
    for lost in task.targets:
        left = [t for t in task.targets if t != lost]
        if left:
            yield pose_rows(task.rig, task.parameters, readings, left, task.noise)
        else:
            n_columns = int((~task.rig.held).sum()) + len(PLACEMENT)
            yield np.zeros((len(readings), 0, n_columns))


def _stacked(pool, design, groups):
    """The whitened design of all poses without any prior, one below the other."""
    stacked = np.zeros((len(design), pool.rows.shape[1], len(pool.prior)))
    for place, (candidate, group) in enumerate(zip(design, groups, strict=True)):
        stacked[place][:, pool.columns(int(group))] = pool.rows[candidate]
    return stacked.reshape(-1, stacked.shape[2])
