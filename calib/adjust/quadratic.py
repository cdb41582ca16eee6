"""Quadratic forms in the whitened misclosures: how large one is by chance.

Of an adjustment with whitened design J = U S V' the whitened misclosures w of observations with
the stated sds are normal with covariance P = I - U U'. A form w' K w then has the cumulants
c1 = tr(KP), 2 c2 = 2 tr(KPKP), 8 c3 = 8 tr(KPKPKP), and its tail is that of the chi-square with
the same first three: J. P. Imhof, "Computing the distribution of quadratic forms in normal
variables", Biometrika 48 (1961) 419-426, after E. S. Pearson 1959 (from memory). K is sparse, U is
narrow: nothing of the size of K is ever made dense.
"""

from collections.abc import Sequence

import numpy as np
from scipy import sparse
from scipy.stats import chi2, norm

from calib.adjust.mixed_model import Adjustment

#: A form this nearly symmetric about its mean is taken as normal.
_MOST_DOF = 1e7


def chance_above(adjustment: Adjustment, form: sparse.spmatrix, value: float) -> float:
    """Probability that ``w' K w`` exceeds `value` if the stated sds are true.

    Parameters
    ----------
    adjustment : Adjustment
    form : sparse matrix, shape (n + q, n + q)
        K, symmetric, over the whitened misclosures of observations and priors.
    value : float
    """
    return tail(cumulants(form, adjustment.linearised.spectrum.left), value)


def chance_of_ratio(adjustment: Adjustment, form: sparse.spmatrix) -> float:
    """Probability that ``w' K w / w' w`` exceeds what it is; all sds may be wrong by one factor.

    The ratio exceeds r where the form with K - r I exceeds 0: J. Durbin and G. S. Watson, "Testing
    for serial correlation in least squares regression", Biometrika 37 (1950) 409-428.
    """
    w = adjustment.linearised.misclosure
    ratio = float(w @ (form @ w)) / float(w @ w)
    return chance_above(adjustment, form - ratio * sparse.identity(len(w), format="csr"), 0.0)


def cumulants(form: sparse.spmatrix, left: np.ndarray) -> tuple[float, float, float]:
    """tr(KP), tr(KPKP) and tr(KPKPKP) with P = I - U U', U = `left`, shape (n + q, p)."""
    form = sparse.csr_matrix(form)
    square = form @ form
    once = form @ left
    one, two, three = left.T @ once, once.T @ once, once.T @ (form @ once)
    first = form.diagonal().sum() - np.trace(one)
    second = square.diagonal().sum() - 2 * np.trace(two) + np.sum(one * one.T)
    third = (square.multiply(form.T).sum() - 3 * np.trace(three)
             + 3 * np.sum(one * two.T) - np.trace(one @ one @ one))
    return float(first), float(second), float(third)


def tail(moments: Sequence[float], value: float) -> float:
    """Probability of a form with these cumulants to exceed `value`.

    Examples
    --------
    A sum of ten squares has all three equal to 10:

    >>> round(tail((10.0, 10.0, 10.0), 18.307), 4)
    0.05
    """
    first, second, third = moments
    score = (value - first) / np.sqrt(2 * second)
    dof = second**3 / third**2 if third else np.inf
    if dof > _MOST_DOF:
        return float(norm.sf(score))
    if third > 0:
        return float(chi2.sf(dof + score * np.sqrt(2 * dof), dof))
    return float(chi2.cdf(dof - score * np.sqrt(2 * dof), dof))


def whitener(adjustment: Adjustment) -> sparse.csr_matrix:
    """G of all observations, shape (n, n): block by block ``G M G' = I``."""
    rows, columns, values = [], [], []
    whiteners = adjustment.linearised.whiteners
    for group, g in zip(adjustment.observations.groups, whiteners, strict=True):
        rows.append(np.broadcast_to(group.rows[:, :, None], g.shape).ravel())
        columns.append(np.broadcast_to(group.rows[:, None, :], g.shape).ravel())
        values.append(g.ravel())
    n = len(adjustment.residuals)
    return sparse.csr_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(n, n))


def over_everything(adjustment: Adjustment, form: sparse.spmatrix) -> sparse.csr_matrix:
    """A form over the observations as one over observations and priors, zero for these."""
    n = len(adjustment.linearised.misclosure)
    return sparse.csr_matrix(sparse.block_diag(
        [form, sparse.csr_matrix((n - form.shape[0],) * 2)], format="csr"))
