"""Each shared quantity over time: its value run by run, everything else as it is shared."""

from dataclasses import dataclass

import numpy as np

from calib.together.adjusted import Together

#: An unknown with more than this of itself in what nothing tells has no value (squared share).
_UNTOLD = 1e-6


@dataclass(frozen=True)
class Series:
    """One quantity over the runs that share it."""

    column: int  #: Of the unknown, among those of the machine.
    runs: tuple[int, ...]
    #: value, sd: shape (len(runs),). With this quantity free to be another in every run; m or rad,
    #: NaN where a run does not tell it. Tapes take part, each with its run.
    value: np.ndarray
    sd: np.ndarray


def series(together: Together) -> list[Series]:
    """The quantities that several runs share, in the order of the unknowns."""
    has, n = together.joint.has, together.joint.n_machine
    rows = [np.vstack([told.rows, told.tape]) for told in together.told]
    w = np.concatenate([w for told in together.told
                        for w in (told.misclosure, told.tape_misclosure)])
    free = together.adjustment.free[:n]
    return [_one(together, rows, w, column, tuple(np.flatnonzero(has[:, column]).tolist()))
            for column in np.flatnonzero(free & (has.sum(0) > 1))]


def _one(together, rows, w, column, runs):
    free = np.flatnonzero(together.adjustment.free[: together.joint.n_machine])
    others = free[free != column]
    blocks = []
    for i, own in enumerate(rows):
        each = np.zeros((len(own), len(runs)))
        if i in runs:
            each[:, runs.index(i)] = own[:, column]
        blocks.append(np.hstack([own[:, others], each]))
    stacked = np.vstack(blocks)
    scale = np.linalg.norm(stacked, axis=0)
    scale[scale == 0] = 1.0
    left, singular, right = np.linalg.svd(stacked / scale, full_matrices=False)
    told = singular > 1e-9 * singular.max(initial=1e-300)
    covariance_root = right[told].T / singular[told]
    shift = (covariance_root @ (left[:, told].T @ w) / scale)[len(others):]
    sd = (np.linalg.norm(covariance_root, axis=1) / scale)[len(others):]
    # What the right singular vectors do not reach is told by nothing.
    known = np.sum(right[told] ** 2, axis=0)[len(others):] > 1 - _UNTOLD
    value = together.parameters[column] + shift
    return Series(int(column), runs, np.where(known, value, np.nan), np.where(known, sd, np.nan))
