"""What a plan is made for, and all that it is chosen from."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from calib.calibration import known_parameters
from calib.chain.rig import Rig
from calib.edge import EdgeNodes, edge_points, envelope_edge
from calib.layout import STAND, Layout, layout_of
from calib.plan.bundles import Bundles, bundles_of
from calib.plan.candidates import Candidates, candidate_poses
from calib.plan.exchange import Pool, mean_variance
from calib.plan.information import Noise, Taped, pose_rows, prior_information
from calib.plan.sight import Site, can_be_shot
from calib.run.records import Machine, Tape

#: Driving from pose to pose before anything is known of the way, minutes.
DRIVE = 0.08


@dataclass(frozen=True)
class Task:
    """What a plan is made for.

    Attributes
    ----------
    parameters : ndarray, shape (n_parameters,)
        As far as they are known: template or tape; m or rad.
    targets : tuple of int
        What may be shot; index into the rig's targets.
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
        parameters: np.ndarray | None = None, noise: Noise | None = None,
        machine: Machine | None = None, **changes: Any,
    ) -> "Task":
        """A task at the taped values where there is a tape, else the template's.

        Parameters
        ----------
        tape : Tape, optional
            The taping that is usual for the rig, if not given.
        targets : sequence of str
            Both ends of the edge, and all that is not on the edge, if none is named.
        parameters : ndarray, shape (n_parameters,), optional
            In place of the taped values, m or rad.
        noise : Noise, optional
            In place of the rig's sds.
        machine : Machine, optional
            What an earlier result says of it; nothing is then taken as taped that is not.
        """
        if machine is not None:
            tape = Tape.none() if tape is None else tape
        if parameters is None:
            parameters = known_parameters(rig, tape or Tape.none(), machine)
        chosen = tuple(rig.target_names.index(name) for name in targets) or everything(rig)
        rig = rig.when_shot(chosen)
        known = Taped.usual(rig) if tape is None else Taped.of(rig, parameters, tape)
        return cls(
            rig=rig,
            parameters=parameters,
            taped=known if machine is None else known.with_machine(rig, machine),
            targets=chosen,
            noise=Noise.of(rig) if noise is None else noise,
            **changes,
        )

    @property
    def free_names(self) -> tuple[str, ...]:
        """Names of the parameters that are estimated."""
        return tuple(p.name for p in self.rig.parameters if not p.held)

    def layout(self, stands: int = 1) -> Layout:
        """What is unknown over so many stands."""
        return layout_of(self.rig, map(str, range(1, stands + 1)))

    def rows(self, readings: np.ndarray, shots: np.ndarray, noted: np.ndarray,
             noise: Noise | None = None) -> np.ndarray:
        """What poses tell, by `calib.plan.information.pose_rows`; `noise` in place of its own."""
        return pose_rows(self.rig, self.parameters, readings, self.targets, noise or self.noise,
                         shot=shots, noted=noted)


@dataclass(frozen=True, eq=False)
class Prepared:
    """A task with its candidates evaluated: what plans of any size are chosen from."""

    task: Task
    candidates: Candidates
    readings: np.ndarray  #: Shape (n, n_readings). Of the poses, rad.
    seen: np.ndarray  #: Bool, shape (n, t). Which of the task's targets can be shot in which pose.
    bundles: Bundles  #: What is chosen from: poses with what is shot in them.
    #: Shape (nodes, 3, n_free). Derivatives of the edge over the envelope, house frame, readings
    #: held fixed.
    by_parameters: np.ndarray
    #: Shape (n_free, n_free). ``trace(form @ covariance)`` is the mean edge variance.
    form: np.ndarray

    def __repr__(self) -> str:
        return f"<Prepared: {len(self.bundles.pose)} choices of shots in {len(self.seen)} poses>"

    def noted(self, bundles: Iterable[int]) -> np.ndarray:
        """What is to be noted of the poses of some bundles, shape (k, n_pose_columns)."""
        return self.candidates.noted[self.bundles.pose[list(bundles)]]

    def pool(self, stands: int, drive: float = DRIVE) -> Pool:
        """The bundles over a number of stands, with the tape as prior.

        `drive` is what driving takes per pose, minutes.
        """
        bundles, layout = self.bundles, self.task.layout(stands)
        return Pool(bundles.rows, prior_information(self.task.taped, layout),
                    layout.with_rig(STAND), bundles.heights, bundles.pose, bundles.minutes + drive)

    def joints_of(self, candidates: Iterable[int]) -> np.ndarray:
        """Joint angles of the poses of some candidates, shape (k, n_readings), rad."""
        return self.candidates.joints[self.bundles.pose[list(candidates)]]

    def edge_sds(self, information: np.ndarray) -> np.ndarray:
        """3-D sd of the edge over the envelope, shape (nodes,), m.

        From the information about the free parameters and whatever comes after them.
        """
        j, covariance = self.by_parameters, self.covariance(information)
        return np.sqrt(np.einsum("nci,ij,ncj->n", j, covariance, j, optimize=True))

    def covariance(self, information: np.ndarray) -> np.ndarray:
        """Of the free parameters, from the information about them and whatever comes after them."""
        return np.linalg.inv(information)[: len(self.form), : len(self.form)]

    def mean_variance(self, information: np.ndarray) -> float:
        """Of the edge over the envelope, m^2."""
        return mean_variance(self.form, np.linalg.inv(information))

    def worst(self, information: np.ndarray) -> float:
        """The largest of `edge_sds`."""
        return float(self.edge_sds(information).max())


def everything(rig: Rig) -> tuple[int, ...]:
    """Both ends of the edge, and all targets that are not on it."""
    ends = sorted({edge_points(rig)[0], edge_points(rig)[-1]})
    return (*ends, *(t for t in range(len(rig.targets)) if t not in rig.edge_targets))


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
    on_edge = [t for t in task.targets if t in rig.edge_targets]
    candidates = candidate_poses(rig, task.parameters, on_edge or task.targets, task.site,
                                 task.count, task.seed)
    readings = rig.chain.readings_for(task.parameters, candidates.joints)
    seen = can_be_shot(rig, task.parameters, candidates.joints, task.targets, task.site)
    nodes = envelope_edge(rig, task.parameters) if nodes is None else nodes
    by_parameters = nodes.by_parameters[nodes.seen][..., ~rig.held]
    by_parameters = by_parameters.reshape(-1, *by_parameters.shape[2:])
    form = np.einsum("nci,ncj->ij", by_parameters, by_parameters) / len(by_parameters)
    bundles = bundles_of(rig, task.parameters, readings, task.targets, task.noise, seen,
                         prior_information(task.taped, task.layout()), form, candidates.noted)
    return Prepared(task, candidates, readings, seen, bundles, by_parameters, form)
