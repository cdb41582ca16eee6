"""Variance components: one factor per kind of observation and reading, from the residuals.

Restricted maximum likelihood by Fisher scoring, the same fixed point as iterated Helmert and
MINQUE: with M = sum of theta_k M_k the covariance of the misclosures w and C = M^-1 Q_ww M^-1,

    sum_l tr(C M_k C M_l) theta_l = w' M^-1 M_k M^-1 w,     cov(theta) = 2 [tr(C M_k C M_l)]^-1.

H. D. Patterson and R. Thompson, "Recovery of inter-block information when block sizes are
unequal", Biometrika 58 (1971) 545-554; K.-R. Koch, "Maximum likelihood estimate of variance
components", Bulletin Geodesique 60 (1986) 329-338 (both from memory). Intervals take theta for a
chi-square over its degrees of freedom 2 theta^2 / var(theta): F. E. Satterthwaite, Biometrics
Bulletin 2 (1946) 110-114 (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from calib.adjust.mixed_model import Adjustment, adjust
from calib.adjust.observations import Model, Observations, Prior

#: A component with fewer effective degrees of freedom than this is left as stated.
LEAST_DOF = 4.0

#: A factor falling below this has no maximum above zero: the component is left as stated.
VANISHED = 0.01

_SMALLEST_STEP, _MOST_ROUNDS, _PATIENCE, _SETTLED = 0.1, 60, 20, 5e-3


@dataclass(frozen=True)
class Component:
    """A kind of value whose standard deviations are all wrong by the same factor, if at all.

    Either observation `rows`, or the column `reading` of the readings of every block.
    """

    label: str
    rows: np.ndarray | None = None
    reading: int | None = None


@dataclass(frozen=True)
class VarianceComponents:
    """Estimated factors, one per component; NaN where there is too little redundancy.

    Attributes
    ----------
    labels : tuple of str
    factor : ndarray, shape (k,)
        Variance factors theta: estimated over stated variance.
    sd : ndarray, shape (k,)
        Standard deviation of the factor.
    dof : ndarray, shape (k,)
        Effective degrees of freedom, 2 (factor / sd)^2.
    low95, high95 : ndarray, shape (k,)
        Interval of the factor.
    redundancy : ndarray, shape (k,)
        Sum of the component's redundancy numbers, at the stated standard deviations.
    adjustment : Adjustment
        Solved with the estimated standard deviations.
    """

    labels: tuple[str, ...]
    factor: np.ndarray
    sd: np.ndarray
    dof: np.ndarray
    low95: np.ndarray
    high95: np.ndarray
    redundancy: np.ndarray
    adjustment: Adjustment

    @property
    def estimated(self) -> np.ndarray:
        """Mask of the components that could be estimated."""
        return np.isfinite(self.factor)


class NoComponents(Exception):
    """The iteration did not settle: the data do not separate the components."""


def variance_components(
    model: Model,
    observations: Observations,
    start: np.ndarray,
    components: Sequence[Component],
    *,
    names: Sequence[str] | None = None,
    prior: Prior | None = None,
    held: np.ndarray | None = None,
) -> VarianceComponents:
    """Estimate how far the stated standard deviations of each component are off.

    Parameters
    ----------
    model, observations, start, names, prior, held
        As for `calib.adjust.mixed_model.adjust`.
    components : sequence of Component
        Values in none of them, and the prior, are taken at their word.

    Raises
    ------
    NoComponents
        If the factors do not settle.
    NotDetermined, NotConverged, ModelNotFinite
        From the adjustments.
    """
    how = {"names": names, "prior": prior, "held": held}
    theta = np.ones(len(components))
    used, redundancy = None, None
    solved = adjust(model, observations, start, **how)
    for iteration in range(1, _MOST_ROUNDS + 1):
        squares, traces, normal = _equations(solved, components)
        if used is None:
            redundancy = traces
            used = _separable(normal, traces)
        # In units of the present factors: those not estimated stay, on the other side.
        others = normal[np.ix_(used, ~used)].sum(1)
        step = np.ones(len(theta))
        step[used] = np.linalg.solve(normal[np.ix_(used, used)], squares[used] - others)
        # A step below zero is replaced by Foerstner's, which has the same fixed point.
        slow = squares / np.where(traces > 0, traces, 1.0)
        step = np.where(used & (step < _SMALLEST_STEP), np.maximum(slow, _SMALLEST_STEP), step)
        theta *= step
        vanished = used & (theta < VANISHED)
        if iteration % _PATIENCE == 0:  # what still swings has no maximum to swing about
            vanished[int(np.argmax(np.where(used, np.abs(np.log(step)), -1.0)))] = True
        used, theta = used & ~vanished, np.where(vanished, 1.0, theta)
        solved = adjust(model, scaled(observations, components, theta), solved.parameters, **how)
        if not vanished.any() and np.abs(np.log(step[used])).max(initial=0.0) < _SETTLED:
            return _result(components, theta, used, redundancy, solved)
    worst = components[int(np.argmax(np.abs(np.log(step))))].label
    raise NoComponents(f"the variance of {worst} does not settle; the data do not separate it")


def scaled(
    observations: Observations, components: Sequence[Component], factors: np.ndarray
) -> Observations:
    """The observations with every component's variances multiplied by its factor."""
    of_row = np.ones(len(observations.values))
    of_reading = np.ones(observations.readings.shape[1])
    for component, factor in zip(components, factors, strict=True):
        if component.rows is not None:
            of_row[component.rows] = np.sqrt(factor)
        else:
            of_reading[component.reading] = np.sqrt(factor)
    groups = tuple(
        replace(g, covariance=g.covariance * of_row[g.rows][:, :, None] * of_row[g.rows][:, None])
        for g in observations.groups
    )
    return replace(
        observations, groups=groups,
        reading_covariance=observations.reading_covariance * np.outer(of_reading, of_reading),
    )


def _equations(solved, components):
    """d'M_k d, tr(C M_k) and tr(C M_k C M_l), all at the present factors (theta = 1)."""
    n, linearised = len(solved.residuals), solved.linearised
    left = linearised.spectrum.left[:n]
    redundant = np.eye(n) - left @ left.T
    misclosure = linearised.misclosure[:n]
    squares, products = [], []
    for component in components:
        part = _whitened_part(solved, component)
        squares.append(misclosure @ part @ misclosure)
        products.append(redundant @ part)
    traces = np.array([np.trace(product) for product in products])
    normal = np.array([[np.sum(a * b.T) for b in products] for a in products])
    return np.array(squares), traces, normal


def _whitened_part(solved, component):
    """G M_k G', shape (n, n): the component's share of the whitened covariance."""
    n, observations, linearised = len(solved.residuals), solved.observations, solved.linearised
    part = np.zeros((n, n))
    member = np.zeros(n)
    if component.rows is not None:
        member[component.rows] = 1.0
    for group, g in zip(observations.groups, linearised.whiteners, strict=True):
        if component.rows is not None:
            mine = member[group.rows]
            own = group.covariance * (mine[:, :, None] + mine[:, None, :]) / 2
        else:
            j = component.reading
            b = linearised.by_readings[group.rows]
            to_all = b @ observations.reading_covariance[group.blocks][:, :, j, None]
            from_one = b[:, :, j, None].transpose(0, 2, 1)
            own = (to_all @ from_one + (to_all @ from_one).transpose(0, 2, 1)) / 2
        whitened = g @ own @ g.transpose(0, 2, 1)
        part[group.rows[:, :, None], group.rows[:, None, :]] = whitened
    return part


def _separable(normal, traces):
    """Mask of the components with enough effective degrees of freedom, worst dropped first."""
    used = traces >= LEAST_DOF / 2
    while used.any():
        dof = _effective_dof(normal[np.ix_(used, used)])
        if dof.min() >= LEAST_DOF:
            break
        used[np.flatnonzero(used)[int(np.argmin(dof))]] = False
    return used


def _effective_dof(normal):
    """2 theta^2 / var(theta) at theta = 1; 0 where components cannot be told apart."""
    values, vectors = np.linalg.eigh(normal)
    if values[0] <= 1e-12 * values[-1]:
        return 1.0 / np.maximum(vectors[:, 0] ** 2, 1e-12) * 1e-12
    return 1.0 / np.diag(np.linalg.inv(normal))


def _result(components, theta, used, redundancy, solved):
    normal = _equations(solved, components)[2]
    dof = np.full(len(theta), np.nan)
    dof[used] = _effective_dof(normal[np.ix_(used, used)])
    factor = np.where(used, theta, np.nan)
    return VarianceComponents(
        labels=tuple(c.label for c in components),
        factor=factor,
        sd=factor * np.sqrt(2 / dof),
        dof=dof,
        low95=factor * dof / chi2.ppf(0.975, dof),
        high95=factor * dof / chi2.ppf(0.025, dof),
        redundancy=redundancy,
        adjustment=solved,
    )
