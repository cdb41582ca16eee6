"""What a plan is worth when any one pose is lost, or a corner in a third of the poses."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from calib.plan.plan import Plan

#: Random ways of losing one target in a third of the poses that are looked at.
_DRAWS = 20

#: Eigenvalues of the scaled information below this share of the largest count as nothing known.
_NOTHING = 1e-13

#: Nothing tells of an unknown any more whose information has fallen below this share.
_GONE = 1e-9


@dataclass(frozen=True)
class Robustness:
    """The worst of what may happen."""

    pose: int  #: The place whose loss hurts most.
    #: pose_lost, targets_lost: Worst edge sd without that pose, and with a target lost in a third
    #: of the poses, m.
    pose_lost: float
    targets_lost: float
    #: Places whose loss would leave a combination undetermined that the shots of the whole plan
    #: determine.
    undetermined: tuple[int, ...]
    targets_undetermined: bool  #: Whether some way of losing targets would.

    @property
    def holds(self) -> bool:
        """Nothing that may happen leaves a combination undetermined."""
        return not self.undetermined and not self.targets_undetermined


def robustness(plan: "Plan") -> Robustness:
    """Look at every lost pose and at random lost targets."""
    pool, edge_sds, every = plan.pool, plan.prepared.edge_sds, np.arange(len(plan.design))
    # What is known from other shots counts as what these shots tell.
    before = pool.prior - plan.of_machine.T @ plan.of_machine
    whole = plan.information - before
    waiting = np.isin(plan.layout.free_names, [
        p.name for p in plan.prepared.task.rig.parameters if p.until_shot])
    told = np.diag(whole) > 0

    def open_(information):
        """Whether less is known; of what is held until shot, to lose all that tells is none."""
        left = information - before
        kept = ~(waiting & (np.diag(left) <= _GONE * np.diag(whole)))
        return rank(left[np.ix_(kept, kept)]) < rank(whole) - np.sum(~kept & told)

    lost = [pool.information(plan.design[every != place], plan.stand[every != place])
            for place in every]
    # Rows of the poses without each target in turn that is shot at all.
    without_target = [plan.prepared.task.rows(
        plan.readings, plan.shots & (np.arange(plan.shots.shape[1]) != target), plan.noted)
        for target in np.flatnonzero(plan.shots.any(0))]
    thinned = [_thinned(plan, without_target,
                        np.random.default_rng((plan.prepared.task.seed, draw)))
               for draw in range(_DRAWS)]
    sds = np.array([edge_sds(information).max() for information in lost])
    return Robustness(
        pose=int(sds.argmax()),
        pose_lost=float(sds.max()),
        targets_lost=float(max(edge_sds(information).max() for information in thinned)),
        undetermined=tuple(
            i for i, information in enumerate(lost) if open_(information)),
        targets_undetermined=any(open_(information) for information in thinned),
    )


def _thinned(plan, without_target, rng):
    """Information with one target lost in a third of the poses, any target in any pose."""
    pool, information = plan.pool, plan.information.copy()
    shots = plan.shots[:, plan.shots.any(0)]
    for place in rng.choice(len(shots), max(1, len(shots) // 3), replace=False):
        target = rng.choice(np.flatnonzero(shots[place]))
        columns = pool.columns[plan.stand[place]]
        whole, left = pool.rows[plan.design[place]], without_target[target][place]
        information[np.ix_(columns, columns)] += left.T @ left - whole.T @ whole
    return information


def rank(information: np.ndarray) -> int:
    """How many combinations are known, whatever the units."""
    scale = np.sqrt(np.maximum(np.diag(information), 0.0))
    scale = np.where(scale > 0, scale, 1.0)
    values = np.linalg.eigvalsh(information / np.outer(scale, scale))
    return int(np.sum(values > _NOTHING * max(values[-1], 0.0)))
