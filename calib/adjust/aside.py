"""Values set aside: their errors are unknowns, eliminated block by block.

A value that is set aside says nothing: with h the change of its block's misclosures w per unit of
its error (1 at an observation's own row, B's column for a reading, 1 for a prior value), its error
is one more unknown. With H those columns of one block and M the covariance of w,

    W = M^-1 - M^-1 H (H' M^-1 H)^-1 H' M^-1,    t = (H' M^-1 H)^-1 H' M^-1 w,

the rest is adjusted with W in the place of M^-1, and t estimates the errors: exactly what an
adjustment with them among its parameters gives. Every block loses as many degrees of freedom as H
has rank. Elimination as in F. R. Helmert, *Die Ausgleichungsrechnung*, 1872 (from memory).
"""

from typing import NamedTuple

import numpy as np

#: Directions of H that change the misclosures by less than this share of the block's largest count
#: as not seen at all.
_UNSEEN = 1e-9


class Eliminated(NamedTuple):
    """What was eliminated from a stack of blocks of m rows, with c = m + k columns of H."""

    where: np.ndarray  #: Int, shape (a,). The blocks of the stack that have something set aside.
    #: Shape (a, c, m). Errors from whitened misclosures; rows of zeros for what is not set aside.
    estimator: np.ndarray
    covariance: np.ndarray  #: Shape (a, c, c). Of the errors if the parameters were known.
    #: Bool, shape (a, c). Set aside, and determined by the other values of the block.
    seen: np.ndarray
    rank: int  #: Of H, summed over the blocks.


def eliminate(whiteners: np.ndarray, columns: np.ndarray, mask: np.ndarray
              ) -> tuple[np.ndarray, Eliminated]:
    """Take the masked columns out of a stack of blocks.

    Parameters
    ----------
    whiteners : ndarray, shape (g, m, m)
        G with ``G M G' = I``.
    columns : ndarray, shape (g, m, c)
        Everything of which an error could be unknown.
    mask : ndarray of bool, shape (g, c)
        What is.

    Returns
    -------
    whiteners : ndarray, shape (g, m, m)
        G with ``G' G = W``.
    eliminated : Eliminated
    """
    where, (m, c) = np.flatnonzero(mask.any(1)), columns.shape[1:]
    if not len(where):
        return whiteners, Eliminated(where, np.zeros((0, c, m)), np.zeros((0, c, c)),
                                     np.zeros((0, c), bool), 0)
    g, chosen = whiteners[where], mask[where]
    whitened = g @ columns[where]
    norms = np.sqrt(np.einsum("amc,amc->ac", whitened, whitened))
    visible = chosen & (norms > _UNSEEN * norms.max(1, initial=0.0, keepdims=True))
    scale = np.where(visible, 1.0 / np.where(norms > 0, norms, 1.0), 0.0)
    left, singular, right = np.linalg.svd(whitened * scale[:, None, :], full_matrices=False)
    kept = singular > _UNSEEN * np.maximum(singular.max(1, initial=0.0, keepdims=True), 1e-300)
    left = left * kept[:, None, :]
    inverse = np.where(kept, 1.0 / np.where(kept, singular, 1.0), 0.0)
    half = scale[:, :, None] * right.transpose(0, 2, 1) * inverse[:, None, :]
    # Columns that share a direction with others are not seen by themselves.
    resolved = np.einsum("arc,ar->ac", right**2, kept.astype(float))
    seen = visible & (resolved > 1 - 1e-6)
    out = whiteners.copy()
    out[where] = g - left @ (left.transpose(0, 2, 1) @ g)
    return out, Eliminated(where, half @ left.transpose(0, 2, 1), half @ half.transpose(0, 2, 1),
                           seen, int(kept.sum()))


def block_columns(rows: int, by_readings: np.ndarray) -> np.ndarray:
    """H of everything in a stack of blocks: own rows, then readings; shape (g, m, m + k)."""
    own = np.broadcast_to(np.eye(rows), (len(by_readings), rows, rows))
    return np.concatenate([own, by_readings], axis=2)
