"""What a plan is worth when any one pose is lost, or a corner in a third of the poses."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from calib.plan.exchange import Pool

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


def robustness(
    pool: Pool, design: ArrayLike, groups: ArrayLike, without_target: Iterable[np.ndarray],
    shots: np.ndarray,
    edge_sds: Callable[[np.ndarray], np.ndarray], seed: int = 0,
    known: np.ndarray | float = 0.0, waiting: np.ndarray | None = None,
) -> Robustness:
    """Look at every lost pose and at random lost targets.

    Parameters
    ----------
    without_target : iterable of ndarray
        For each target, the whitened rows of the design's poses without it, (places, m, p + r).
    shots : ndarray of bool, shape (places, targets)
        Which of them are shot in which pose: what is not shot is not lost.
    edge_sds : callable
        From information to the sds of the edge over the envelope, m.
    known : ndarray, shape (p, p)
        What of the pool's prior is from other shots: it counts as theirs do.
    waiting : ndarray of bool, shape (p,), optional
        Unknowns that are held as long as no shot tells of them: to lose all that do loses nothing.
    """
    design, groups = np.asarray(design), np.asarray(groups)
    before = pool.prior - known
    whole = pool.information(design, groups) - before
    waiting = np.zeros(len(whole), bool) if waiting is None else waiting

    def open_(information):
        left = information - before
        kept = ~(waiting & (np.diag(left) <= _GONE * np.diag(whole)))
        return rank(left[np.ix_(kept, kept)]) < rank(whole) - np.sum(~kept & told)

    told = np.diag(whole) > 0
    lost = []
    for place in range(len(design)):
        rest = np.arange(len(design)) != place
        lost.append(pool.information(design[rest], groups[rest]))
    without_target = list(without_target)
    thinned = [
        _thinned(pool, design, groups, without_target, shots, np.random.default_rng((seed, draw)))
        for draw in range(_DRAWS)
    ]
    sds = np.array([edge_sds(information).max() for information in lost])
    return Robustness(
        pose=int(sds.argmax()),
        pose_lost=float(sds.max()),
        targets_lost=float(max(edge_sds(information).max() for information in thinned)),
        undetermined=tuple(
            i for i, information in enumerate(lost) if open_(information)),
        targets_undetermined=any(open_(information) for information in thinned),
    )


def _thinned(pool, design, groups, without_target, shots, rng):
    """Information with one target lost in a third of the poses, any target in any pose."""
    information = pool.information(design, groups)
    hit = rng.choice(len(design), max(1, len(design) // 3), replace=False)
    for place in hit:
        target = rng.choice(np.flatnonzero(shots[place]))
        columns = pool.columns(int(groups[place]))
        whole, left = pool.rows[design[place]], without_target[target][place]
        information[np.ix_(columns, columns)] += left.T @ left - whole.T @ whole
    return information


def rank(information: np.ndarray) -> int:
    """How many combinations are known, whatever the units."""
    scale = np.sqrt(np.maximum(np.diag(information), 0.0))
    scale = np.where(scale > 0, scale, 1.0)
    values = np.linalg.eigvalsh(information / np.outer(scale, scale))
    return int(np.sum(values > _NOTHING * max(values[-1], 0.0)))
