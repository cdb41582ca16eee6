"""Quadratic forms in the whitened misclosures: how large one is by chance.

Of an adjustment with whitened design J = U S V' the whitened misclosures w of observations with
the stated sds are normal with covariance P = I - U U'. A form w' K w is then a sum of squares of
standard normals times the eigenvalues of P K P, and its tail comes from its characteristic
function: J. P. Imhof, "Computing the distribution of quadratic forms in normal variables",
Biometrika 48 (1961) 419-426, summed as R. B. Davies, "Numerical inversion of a characteristic
function", Biometrika 60 (1973) 415-417 (both from memory). Of a large adjustment no matrix of the
size of K is made: there the tail is that of the chi-square with the same first three cumulants
tr(KP), 2 tr(KPKP), 8 tr(KPKPKP) (Imhof, after E. S. Pearson 1959).
"""

from collections.abc import Sequence

import numpy as np
from scipy import sparse

from calib.adjust.adjustment import Adjustment
from calib.adjust.distributions import chi2_cdf, chi2_sf, normal_sf

#: Eigenvalues are taken of adjustments with at most so many observations and priors.
MOST_EXACT = 1500

#: A form this nearly symmetric about its mean is taken as normal.
_MOST_DOF = 1e7

#: What the sum over the characteristic function leaves out: the chance of a form so many sds away,
#: and all beyond where it is this small; and its most terms.
_AWAY, _SMALL, _MOST_TERMS = 24.0, 1e-10, 200_000


def form_of(values: np.ndarray, rows: np.ndarray, columns: np.ndarray, size: int
            ) -> sparse.csr_matrix:
    """A square matrix of so many rows with values at some places, added up where they meet."""
    return sparse.csr_matrix((values, (rows, columns)), shape=(size, size))


def chance_above(adjustment: Adjustment, form: sparse.csr_matrix, value: float) -> float:
    """Probability that ``w' K w`` exceeds `value` if the stated sds are true.

    Parameters
    ----------
    form : sparse matrix, shape (n + q, n + q)
        K, symmetric, over the whitened misclosures of observations and priors.
    """
    left = adjustment.linearised.spectrum.left
    if len(left) > MOST_EXACT:
        return tail(cumulants(form, left), value)
    half = form @ left
    projected = form.toarray() - half @ left.T - left @ half.T + left @ (left.T @ half) @ left.T
    return exact_tail(np.linalg.eigvalsh(projected), value)


def chance_of_ratio(adjustment: Adjustment, form: sparse.csr_matrix) -> float:
    """Probability that ``w' K w / w' w`` exceeds what it is; all sds may be wrong by one factor.

    The ratio exceeds r where the form with K - r I exceeds 0: J. Durbin and G. S. Watson, "Testing
    for serial correlation in least squares regression", Biometrika 37 (1950) 409-428.
    """
    w = adjustment.linearised.misclosure
    ratio, own = float(w @ (form @ w)) / float(w @ w), np.arange(len(w))
    less = form_of(np.full(len(w), ratio), own, own, len(w))
    return chance_above(adjustment, form - less, 0.0)


def exact_tail(weights: np.ndarray, value: float) -> float:
    """Probability that a sum of squares of standard normals times `weights` exceeds `value`.

    Examples
    --------
    >>> round(exact_tail(np.ones(10), 18.307), 4)
    0.05
    """
    weights = weights[np.abs(weights) > 1e-12 * np.abs(weights).max(initial=0.0)]
    sd = np.sqrt(2 * np.sum(weights**2))
    weights, away = weights / sd, (value - weights.sum()) / sd
    step = 2 * np.pi / (_AWAY + abs(away))
    end = 1.0
    while (np.sum(np.log1p(4 * (weights * end) ** 2)) < -4 * np.log(_SMALL)
           and end < _MOST_TERMS * step):
        end *= 1.5
    total = 0.0
    for some in np.array_split(np.arange(int(end / step) + 1) + 0.5, 1 + int(end / step) // 2000):
        turned = 2 * step * some[:, None] * weights
        size = np.exp(-0.25 * np.log1p(turned**2).sum(1))
        angle = 0.5 * np.arctan(turned).sum(1) - step * some * (away + weights.sum())
        total += np.sum(size * np.sin(angle) / some)
    return float(np.clip(0.5 + total / np.pi, 0.0, 1.0))


def cumulants(form: sparse.csr_matrix, left: np.ndarray) -> tuple[float, float, float]:
    """tr(KP), tr(KPKP) and tr(KPKPKP) with P = I - U U', U = `left`, shape (n + q, p)."""
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
        return float(normal_sf(score))
    if third > 0:
        return float(chi2_sf(dof + score * np.sqrt(2 * dof), dof))
    return float(chi2_cdf(dof - score * np.sqrt(2 * dof), dof))


def whitener(adjustment: Adjustment) -> sparse.csr_matrix:
    """G of all observations, block by block ``G M G' = I``; nothing of priors, (n + q, n + q)."""
    rows, columns, values = [], [], []
    whiteners = adjustment.linearised.whiteners
    for group, g in zip(adjustment.observations.groups, whiteners, strict=False):
        rows.append(np.broadcast_to(group.rows[:, :, None], g.shape).ravel())
        columns.append(np.broadcast_to(group.rows[:, None, :], g.shape).ravel())
        values.append(g.ravel())
    return form_of(np.concatenate(values), np.concatenate(rows), np.concatenate(columns),
                   len(adjustment.linearised.misclosure))
