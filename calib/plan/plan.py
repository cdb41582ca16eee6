"""A plan: which poses to shoot, in which order, and what they will give."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from calib.adjust.observability import Observability
from calib.adjust.spectrum import Spectrum
from calib.layout import RIG, Layout
from calib.plan.bound import determinant_efficiency, least_variance
from calib.plan.choose import EDGE, PARAMETERS, of_poses, within_minutes
from calib.plan.exchange import Pool
from calib.plan.losses import Robustness, robustness
from calib.plan.order import FieldMinutes, field_minutes, in_working_order
from calib.plan.task import Prepared
from calib.plan.tolerance import reading_tolerances

#: Random ways of being off everywhere at once that are looked at.
_DRAWS = 20


@dataclass(frozen=True)
class Plan:
    """Poses in the order in which they are to be driven, and what they are worth.

    What is not asked for is not computed.

    Attributes
    ----------
    pool : Pool
        The bundles over the plan's stands, with the driving that it needs.
    design, stand : ndarray of int, shape (n_poses,)
        Index into the bundles, and where they are shot.
    """

    prepared: Prepared
    criterion: str
    pool: Pool
    design: np.ndarray
    stand: np.ndarray

    def __repr__(self) -> str:
        return (f"<Plan: {len(self.stand)} poses, {self.minutes.total:.0f} minutes, sd of the edge "
                f"at worst {1000 * float(np.max(self.edge_sd)):.1f} mm>")

    @property
    def stands(self) -> int:
        return int(self.stand.max()) + 1

    @cached_property
    def layout(self) -> Layout:
        """What is unknown."""
        return self.prepared.task.layout(self.pool.groups)

    @property
    def shots(self) -> np.ndarray:
        """Which of the task's targets are shot, bool, shape (n_poses, t)."""
        return self.prepared.bundles.shots[self.design]

    @property
    def joints(self) -> np.ndarray:
        """Shape (n_poses, n_readings), rad."""
        return self.prepared.joints_of(self.design)

    @property
    def readings(self) -> np.ndarray:
        """Shape (n_poses, n_readings), rad."""
        return self.prepared.readings[self.prepared.bundles.pose[self.design]]

    @property
    def noted(self) -> np.ndarray:
        """What is to be noted of each pose, as numbers, (n_poses, n_pose_columns).

        See `calib.chain.parts.PoseColumn`.
        """
        return self.prepared.noted(self.design)

    @cached_property
    def information(self) -> np.ndarray:
        """Predicted, about free parameters and stands, the tape included."""
        return self.pool.information(self.design, self.stand)

    @cached_property
    def edge_sd(self) -> np.ndarray:
        """Predicted 3-D sd of the edge over the envelope, shape (nodes,), m."""
        return self.prepared.edge_sds(self.information)

    @cached_property
    def tolerance(self) -> np.ndarray:
        """See `calib.plan.tolerance.reading_tolerances`."""
        return reading_tolerances(self)

    @cached_property
    def loose_sd(self) -> float:
        """Worst edge sd if every reading lay anywhere in its range, m: median of random draws."""
        task, places = self.prepared.task, np.arange(len(self.design))
        rng, span = np.random.default_rng(task.seed), np.nan_to_num(self.tolerance)
        worst = []
        for _ in range(_DRAWS):
            moved = self.readings + rng.uniform(-span[..., 0], span[..., 1])
            pool = replace(self.pool, rows=task.rows(moved, self.shots, self.noted))
            worst.append(self.prepared.worst(pool.information(places, self.stand)))
        return float(np.median(worst))

    @property
    def minutes(self) -> FieldMinutes:
        effort = self.prepared.task.rig.effort
        shooting = np.sum(self.prepared.bundles.minutes[self.design] - effort.settle)
        return field_minutes(self.prepared.task.rig, self.joints, self.stand, shooting)

    @cached_property
    def efficiency(self) -> float:
        """At least this share of the best that continuous weights could reach in its minutes.

        Ratio of mean edge variances, or of determinants to the power 1 / unknowns.
        """
        if self.criterion == PARAMETERS:
            return determinant_efficiency(self.pool, self.design, self.stand)
        least = least_variance(self.pool, self.design, self.stand, self.prepared.form)
        return min(1.0, least / float(np.mean(self.edge_sd**2)))

    @cached_property
    def robustness(self) -> Robustness:
        return robustness(self)

    @property
    def observability(self) -> Observability:
        singular = self._seen.singular
        return Observability.of(np.where(singular > 0, singular, 0.0), len(self.design))

    @property
    def undetermined(self) -> tuple[str, ...]:
        """What the shots alone leave undetermined, in words."""
        names = np.array(self.layout.free_names, dtype=object)
        return tuple(str(d) for d in self._seen.null_directions(names[self._told]))

    @property
    def of_machine(self) -> np.ndarray:
        """What an earlier result says of the machine, as rows of a design without any prior."""
        told = self.prepared.task.taped.machine
        rows = np.zeros((len(told), len(self.pool.prior)))
        rows[:, self.layout.among_free(self.layout.columns(RIG))] = told
        return rows

    @cached_property
    def _seen(self):
        """The whitened design of all poses without any prior, one below the other, decomposed."""
        stacked = np.zeros((len(self.design), self.pool.rows.shape[1], len(self.pool.prior)))
        np.put_along_axis(stacked, self.pool.columns[self.stand][:, None],
                          self.pool.rows[self.design], axis=2)
        whole = np.vstack([stacked.reshape(-1, stacked.shape[2]), self.of_machine])
        return Spectrum.of(whole[:, self._told])

    @property
    def _told(self):
        """Mask of the unknowns without those that are there only for targets that nobody shoots."""
        task = self.prepared.task
        shot = [task.targets[k] for k in np.flatnonzero(self.shots.any(0))]
        held = {p.name for p in task.rig.when_shot(shot).parameters if p.held}
        if any(r.optional for r in task.rig.readings):
            # Where the slew may be left empty, heading and slew are one until it is read once.
            held.add("heading")
        return np.array([u.quantity.name not in held
                         for u in self.layout.unknowns if not u.quantity.held])


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
    return Plan(prepared, criterion, pool, candidates[order], groups[order])
