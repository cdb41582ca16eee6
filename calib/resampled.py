"""A run solved many times over: its poses drawn anew, or its errors.

Each replicate is solved from the solution of the run itself, all at once. With w the whitened
misclosures at the solution, A the whitened design and H its change by the unknowns, a step d of
the unknowns leaves

    r(d) = w - A d - (H d) d / 2,

which is minimised by Newton's steps with a gradient to that order and the replicate's own normal
matrix. Whiteners and reading corrections are those of the solution: what they change is of second
order too, but by the errors of single readings, not by the curvature of the machine.

Poses are drawn with replacement, stand by stand: B. Efron, *Annals of Statistics* 7 (1979) 1-26;
that a block of dependent observations (here the shots of a pose) is drawn as a whole follows
H. R. Kuensch, *Annals of Statistics* 17 (1989) 1217-1241 (both from memory). What was taped, and
what is known of the machine or of set-ups, is not drawn again but disturbed by its stated errors.
"""

from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np

from calib.calibration import Solution
from calib.layout import RIG

#: What may be drawn.
POSES, ERRORS = "poses", "errors"

#: Replicates that are solved at once, each lot with a seed of its own: the same whoever solves it.
_LOT = 100

#: Step of the difference that gives H, m or rad; Newton's steps; where they end, sds.
_STEP, _MOST_STEPS, _SETTLED = 1e-4, 12, 1e-3

#: With more numbers than this H is left out: so many shots leave no curvature to speak of.
_LARGEST = 20_000_000


@dataclass(frozen=True)
class Resolved:
    """Estimates of many replicates.

    Attributes
    ----------
    names : tuple of str
        The estimated parameters of the rig.
    estimates : ndarray, shape (n, len(names))
        m or rad.
    left_out : int
        Replicates that do not determine the machine, or did not settle.
    """

    names: tuple[str, ...]
    estimates: np.ndarray
    left_out: int

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
    settled = np.isfinite(steps).all(1)
    if not settled.any():
        raise ValueError("no replicate determines the machine")
    layout, adjustment = solution.problem.layout, solution.adjustment
    columns = layout.columns(RIG, "")
    columns = columns[adjustment.free[columns]]
    return Resolved(
        tuple(layout.names[i] for i in columns),
        adjustment.parameters[columns] + steps[settled][:, layout.among_free(columns)],
        int((~settled).sum()))


@dataclass(frozen=True)
class _Again:
    """A run at its solution, ready to be solved again: ``again(count, seed)``, a lot at a time.

    Attributes
    ----------
    w, design : ndarray, shapes (n,) and (n, p)
        Whitened; shots alone.
    curvature : ndarray, shape (n, p, p), or None
    prior, off : ndarray, shapes (q, p) and (q,)
        Whitened rows of the prior and their misclosures.
    sd : ndarray, shape (p,)
    pose_of_row, stand_of_pose : ndarray of int
        Poses with shots only, numbered through.
    noise : tuple of (rows, factors), or None
        What whitened errors are made of, group by group; None: of nothing but independent ones.
    """

    draw: str
    w: np.ndarray
    design: np.ndarray
    curvature: np.ndarray | None
    prior: np.ndarray
    off: np.ndarray
    sd: np.ndarray
    pose_of_row: np.ndarray
    stand_of_pose: np.ndarray
    noise: tuple[tuple[np.ndarray, np.ndarray], ...] | None

    @classmethod
    def of(cls, solution: Solution, draw: str) -> "_Again":
        problem, adjustment = solution.problem, solution.adjustment
        linearised, n = adjustment.linearised, len(adjustment.residuals)
        shot, pose = np.unique(solution.run.shots.pose, return_inverse=True)
        design = np.asarray(linearised.whitened)
        return cls(
            draw=draw,
            w=linearised.misclosure[:n],
            design=design,
            curvature=_curvature(solution) if n * design.shape[1] ** 2 <= _LARGEST else None,
            prior=linearised.prior_whitener @ linearised.prior_by_parameters,
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
            w = self._drawn_errors(rng, count)
        return self._solved(weights, w, off)

    def _drawn_poses(self, rng, count):
        """How often each pose was drawn, shape (count, n_poses)."""
        weights = np.zeros((count, len(self.stand_of_pose)))
        for stand in np.unique(self.stand_of_pose):
            poses = np.flatnonzero(self.stand_of_pose == stand)
            weights[:, poses] = rng.multinomial(
                len(poses), np.full(len(poses), 1 / len(poses)), count)
        return weights

    def _drawn_errors(self, rng, count):
        errors = rng.standard_normal((count, len(self.w)))
        for rows, factors in self.noise or ():
            errors[:, rows] = np.einsum("gij,bgj->bgi", factors, errors[:, rows])
        return errors

    def _solved(self, weights, w, off):
        """Newton's steps from the solution, by scaled unknowns (sds)."""
        of_row = weights[:, self.pose_of_row]
        design, prior = self.design * self.sd, self.prior * self.sd
        n_poses, p = len(self.stand_of_pose), len(self.sd)
        each = np.zeros((n_poses, p, p))
        np.add.at(each, self.pose_of_row, design[:, :, None] * design[:, None, :])
        normal = (weights @ each.reshape(n_poses, -1)).reshape(-1, p, p) + prior.T @ prior
        inverse = _inverses(normal)
        step = np.zeros((len(weights), p))
        settled = np.zeros(len(weights), bool)
        curved = None if self.curvature is None else self.curvature * np.outer(self.sd, self.sd)
        for _ in range(_MOST_STEPS):
            gradient = (off - step @ prior.T) @ prior + self._pull(
                step, of_row, w, design, curved)
            move = np.einsum("bij,bj->bi", inverse, gradient)
            step += move
            settled = np.abs(move).max(1) < _SETTLED
            if settled.all() or (curved is None and _ > 0):
                break
        step[~settled] = np.nan
        return step * self.sd

    def _pull(self, step, of_row, w, design, curved):
        """What the shots add to the gradient, shape (count, p)."""
        left = w - step @ design.T
        if curved is None or not step.any():
            return (of_row * left) @ design
        n, p = design.shape
        bent = (step @ curved.reshape(n * p, p).T).reshape(-1, n, p)
        left = left - (bent @ step[:, :, None])[..., 0] / 2
        weighted = of_row * left
        return weighted @ design + (weighted[:, None, :] @ bent)[:, 0]


def _inverses(normal):
    """Inverses of a stack of normal matrices; NaN where one is all but singular."""
    scale = 1 / np.sqrt(np.maximum(np.einsum("bii->bi", normal), 1e-300))
    scaled = normal * scale[:, :, None] * scale[:, None, :]
    low = np.linalg.eigvalsh(scaled)[:, 0]
    inverse = np.full_like(normal, np.nan)
    fine = low > 1e-9
    inverse[fine] = np.linalg.inv(scaled[fine]) * scale[fine, :, None] * scale[fine, None, :]
    return inverse


def _curvature(solution):
    """H: the whitened design's change by each free unknown, shape (n, p, p)."""
    problem, adjustment = solution.problem, solution.adjustment
    readings, free = solution.adjusted_readings, np.flatnonzero(adjustment.free)
    n = len(adjustment.residuals)
    curvature = np.zeros((n, len(free), len(free)))
    for columns in _moved_at_once(problem.layout, adjustment.free):
        # Shots depend on one instance of a scope each: all instances are moved at once.
        shift = np.zeros(len(problem.layout))
        shift[columns] = _STEP
        change = (_design(solution, adjustment.parameters + shift, readings)
                  - _design(solution, adjustment.parameters - shift, readings)) / (2 * _STEP)
        for column in columns:
            own = np.asarray(adjustment.linearised.whitened)[:, free == column]
            rows = np.flatnonzero(own[:, 0]) if len(columns) > 1 else np.arange(n)
            curvature[rows, :, np.searchsorted(free, column)] = change[rows]
    return (curvature + curvature.transpose(0, 2, 1)) / 2


def _moved_at_once(layout, free) -> Iterator[np.ndarray]:
    """Columns of the same quantity, of all instances of its scope."""
    for scope in layout.scopes:
        for columns in layout.columns(scope.name).T:
            if free[columns].all() and len(columns):
                yield columns


def _design(solution, unknowns, readings):
    """The design at other unknowns, whitened as at the solution, free columns."""
    problem, adjustment = solution.problem, solution.adjustment
    by = problem(unknowns, readings).by_parameters[:, adjustment.free]
    out = np.empty_like(by)
    for group, g in zip(problem.observations.groups, adjustment.linearised.whiteners, strict=True):
        out[group.rows] = g @ by[group.rows]
    return out


def _noise_factors(solution):
    """What makes whitened errors of independent ones where something was set aside, else None."""
    adjustment, problem = solution.adjustment, solution.problem
    linearised, factors = adjustment.linearised, []
    if not linearised.unknown_errors:
        return None
    for group, g, whole in zip(problem.observations.groups, linearised.whiteners,
                               linearised.whole, strict=True):
        factors.append((group.rows, g @ np.linalg.inv(whole)))
    return tuple(factors)
