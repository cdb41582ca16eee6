"""A run solved many times over: its poses drawn anew, or its errors.

Each replicate is one step of weighted least squares from the solution of the run itself, all of
them at once. The design at the solution serves for all: a replicate ends within about 0.01 sd of
where solving it fully ends at usual noise, 0.06 sd with readings eight times as noisy.

Poses are drawn with replacement, stand by stand: B. Efron, *Annals of Statistics* 7 (1979) 1-26;
that a block of dependent observations (here the shots of a pose) is drawn as a whole follows
H. R. Kuensch, *Annals of Statistics* 17 (1989) 1217-1241 (both from memory). What was taped, and
what is known of the machine or of set-ups, is not drawn again but disturbed by its stated errors.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calib.calibration import Solution
from calib.layout import RIG

if TYPE_CHECKING:
    from concurrent.futures import Executor

#: What may be drawn.
POSES, ERRORS = "poses", "errors"

#: Replicates that are solved at once, each lot with a seed of its own: the same whoever solves it.
_LOT = 100

#: Scaled normal matrices with an eigenvalue below this are all but singular.
_SINGULAR = 1e-9


@dataclass(frozen=True)
class Resolved:
    """Estimates of many replicates."""

    names: tuple[str, ...]  #: The estimated parameters of the rig.
    estimates: np.ndarray  #: Shape (n, len(names)), m or rad.
    left_out: int  #: Replicates that do not determine the machine.

    def interval(self, share: float = 0.95) -> np.ndarray:
        """Lower and upper ends that hold that share of the estimates, shape (2, len(names))."""
        return np.quantile(self.estimates, [(1 - share) / 2, (1 + share) / 2], axis=0)


def resolve_many(solution: Solution, count: int = 2000, draw: str = POSES, seed: int = 0,
                 executor: Executor | None = None,
                 progress: Callable[[int], object] | None = None) -> Resolved:
    """Solve a run many times over.

    Parameters
    ----------
    solution : Solution
        Of the run.
    count : int
        Replicates.
    draw : "poses" or "errors"
        Whether poses are drawn from those of the run (bootstrap), or whole runs of the same poses
        with errors of the stated sds (Monte Carlo, the solution as the truth).
    seed : int
        The same seed gives the same estimates, with any executor.
    executor : concurrent.futures.Executor, optional
        What solves the lots; this process if not given.
    progress : callable, optional
        Told how many replicates have been solved after each lot.

    Raises
    ------
    ValueError
        For another `draw`, or if no replicate could be solved.
    """
    if draw not in (POSES, ERRORS):
        raise ValueError(f"{draw!r} cannot be drawn: {POSES} or {ERRORS}")
    again = _Again.of(solution, draw)
    sizes = [min(_LOT, count - first) for first in range(0, count, _LOT)]
    seeds = np.random.SeedSequence(seed).spawn(len(sizes))
    lots, done = [], 0
    for lot in (map if executor is None else executor.map)(again, sizes, seeds):
        lots.append(lot)
        done += len(lot)
        if progress is not None:
            progress(done)
    steps = np.concatenate(lots) if lots else np.zeros((0, len(again.sd)))
    told = np.isfinite(steps).all(1)
    if not told.any():
        raise ValueError("no replicate determines the machine")
    layout, adjustment = solution.problem.layout, solution.adjustment
    columns = layout.columns(RIG, "")
    columns = columns[adjustment.free[columns]]
    return Resolved(
        tuple(layout.names[i] for i in columns),
        adjustment.parameters[columns] + steps[told][:, layout.among_free(columns)],
        int((~told).sum()))


@dataclass(frozen=True)
class _Again:
    """A run at its solution, ready to be solved again: ``again(count, seed)``, a lot at a time."""

    draw: str
    w: np.ndarray  #: w, design: shapes (n,) and (n, p). Whitened; shots alone.
    design: np.ndarray
    #: prior, off: shapes (q, p) and (q,). Whitened rows of the prior and their misclosures.
    prior: np.ndarray
    off: np.ndarray
    sd: np.ndarray  #: Shape (p,).
    #: pose_of_row, stand_of_pose: int; poses with shots only, numbered through.
    pose_of_row: np.ndarray
    stand_of_pose: np.ndarray
    #: What whitened errors are made of, group by group; None: of nothing but independent ones.
    noise: tuple[tuple[np.ndarray, np.ndarray], ...] | None

    @classmethod
    def of(cls, solution: Solution, draw: str) -> _Again:
        problem, adjustment = solution.problem, solution.adjustment
        linearised, n = adjustment.linearised, len(adjustment.residuals)
        shot, pose = np.unique(solution.run.shots.pose, return_inverse=True)
        design = np.asarray(linearised.whitened)
        return cls(
            draw=draw,
            w=linearised.misclosure[:n],
            design=design,
            prior=linearised.below,
            off=linearised.misclosure[n:],
            sd=adjustment.sd[adjustment.free],
            pose_of_row=np.repeat(pose, 3),
            stand_of_pose=problem.stand_of_pose[shot],
            noise=_noise_factors(solution) if draw == ERRORS else None,
        )

    def __call__(self, count: int, seed: np.random.SeedSequence) -> np.ndarray:
        """Steps from the solution, shape (count, p), m or rad; NaN where a replicate fails."""
        rng = np.random.default_rng(seed)
        off = rng.standard_normal((count, len(self.off)))
        if self.draw == POSES:
            weights = self._drawn_poses(rng, count)
            w, off = self.w, self.off + off
        else:
            weights = np.ones((count, len(self.stand_of_pose)))
            w = rng.standard_normal((count, len(self.w)))
            for rows, factors in self.noise or ():
                w[:, rows] = np.einsum("gij,bgj->bgi", factors, w[:, rows])
        return self._solved(weights, w, off)

    def _drawn_poses(self, rng, count):
        """How often each pose was drawn, shape (count, n_poses)."""
        weights = np.zeros((count, len(self.stand_of_pose)))
        for stand in np.unique(self.stand_of_pose):
            poses = np.flatnonzero(self.stand_of_pose == stand)
            weights[:, poses] = rng.multinomial(
                len(poses), np.full(len(poses), 1 / len(poses)), count)
        return weights

    def _solved(self, weights, w, off):
        """Steps from the solution: normal equations by scaled unknowns (sds), batch by batch."""
        design, prior = self.design * self.sd, self.prior * self.sd
        n_poses, p = len(self.stand_of_pose), len(self.sd)
        each = np.zeros((n_poses, p, p))
        np.add.at(each, self.pose_of_row, design[:, :, None] * design[:, None, :])
        normal = (weights @ each.reshape(n_poses, -1)).reshape(-1, p, p) + prior.T @ prior
        pull = (weights[:, self.pose_of_row] * w) @ design + off @ prior
        scale = 1 / np.sqrt(np.maximum(np.einsum("bii->bi", normal), np.finfo(float).tiny))
        scaled = normal * scale[:, :, None] * scale[:, None, :]
        step = np.full((len(weights), p), np.nan)
        told = np.linalg.eigvalsh(scaled)[:, 0] > _SINGULAR
        step[told] = np.linalg.solve(scaled[told], (scale * pull)[told][..., None])[..., 0]
        return step * scale * self.sd


def _noise_factors(solution):
    """What makes whitened errors of independent ones where something was set aside, else None."""
    adjustment, problem = solution.adjustment, solution.problem
    linearised, factors = adjustment.linearised, []
    if not linearised.unknown_errors:
        return None
    for group, g, whole in zip(problem.observations.groups, linearised.whiteners,
                               linearised.whole, strict=False):
        factors.append((group.rows, g @ np.linalg.inv(whole)))
    return tuple(factors)
