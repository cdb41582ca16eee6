"""Variance components: how far the stated sds of each kind of value are off, and which surely are.

All kinds are estimated together by restricted maximum likelihood (`calib.adjust.restricted`), from
several starts, with factors >= 0; a kind that the others hide takes part like any other, so that
no other answers for it. Its interval and the chance of what is seen if it is as stated come from
the profile of the likelihood (`calib.adjust.profile`).

Which kinds differ from what is stated is decided with one error rate for all, by closed testing
(R. Marcus, E. Peritz and K. R. Gabriel, Biometrika 63 (1976) 655-660): that all are right is
tested, half the rate each, against each kind alone being wrong and against each kind with all
others open; then single kinds by S. Holm's sequence, Scandinavian J. of Statistics 6 (1979) 65-70.
If something is wrong but no kind can be named, the group that holds it is: the kinds that alone
explain the data nearly as well as the best. Another kind explains them 20 times as well as the true
one with a probability below 1/20 (Markov's inequality). All from memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.adjust.adjustment import Adjustment
from calib.adjust.distributions import chi2_sf
from calib.adjust.mixed_model import NO_SOLUTION, readjust
from calib.adjust.observations import Model, Observations
from calib.adjust.profile import LEAST_DOF, Profile, bartlett_factor, effective_dof, sds
from calib.adjust.restricted import NEARLY_SETTLED, Fit, RestrictedLikelihood

#: Nothing is told of a kind that would have too few degrees of freedom even with this many times
#: the run's variance factor, unless it surely differs. Its own estimate must not decide more than
#: that, or only noisy draws would be told of.
WORTH_TELLING = 9.0

#: Probability that any kind is called wrong in a run where all are as stated.
RUN_LEVEL = 0.05

#: How many times better the best single explanation may be than one that stays possible.
TIMES_BETTER = 20.0

#: The weights of an adjustment take a factor for no less than this.
_LEAST_FACTOR = 1e-6

#: A factor below this share of its unit is an estimate of 0.
_SEEN = 1e-6

#: Linearised again until no factor moves by more than this share of its sd.
_SETTLED, _MOST_ROUNDS = 0.1, 5


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
    """Estimated factors, one per component; NaN where there is too little redundancy."""

    labels: tuple[str, ...]
    #: Shape (k,). Variance factors theta: estimated over stated variance, 0 where no noise is seen.
    factor: np.ndarray
    sd: np.ndarray  #: Shape (k,). Standard deviation of the factor.
    #: Shape (k,). Effective degrees of freedom, at the estimate; near 0 those of a factor as
    #: stated.
    dof: np.ndarray
    #: low95, high95: shape (k,). Interval of the factor; the low end may be 0.
    low95: np.ndarray
    high95: np.ndarray
    #: Shape (k,). Sum of the component's redundancy numbers, at the stated standard deviations.
    redundancy: np.ndarray
    #: Shape (k,). Of a likelihood ratio like this if the component is as stated, the others open.
    chance: np.ndarray
    #: Bool, shape (k,). Components that are surely not as stated, at `RUN_LEVEL` for all together.
    differs: np.ndarray
    #: Where something is not as stated but no component can be named: those that it may be.
    group: tuple[int, ...]
    #: Shape (k,). Variance factor of each component if it alone is not as stated.
    alone: np.ndarray
    adjustment: Adjustment  #: Solved with the estimated standard deviations.

    @property
    def estimated(self) -> np.ndarray:
        """Mask of the components that could be estimated."""
        told: np.ndarray = np.isfinite(self.factor)
        return told


def variance_components(
    model: Model, solved: Adjustment, components: Sequence[Component]
) -> VarianceComponents:
    """Estimate how far the stated standard deviations of each component are off.

    Parameters
    ----------
    model : callable
        See `calib.adjust.observations.Model`.
    solved : Adjustment
        Of the model, with the standard deviations as stated.
    components : sequence of Component
        Without overlap. Values in none of them, and the prior, are taken at their word.
    """
    stated, kinds = solved.observations, _kinds(solved.observations, components)
    likelihood = RestrictedLikelihood(solved, stated, *kinds)
    variance_factor = likelihood.variance_factor
    redundancy = likelihood.slope(np.ones(len(components))).traces
    best = _best(likelihood)
    for _ in range(_MOST_ROUNDS):
        # Where that does not settle, the factors stand as they are at the last solution.
        factors = np.maximum(best.theta, _LEAST_FACTOR)
        try:
            solved = readjust(model, solved, observations=scaled(stated, components, factors))
        except NO_SOLUTION:
            break
        likelihood, before = RestrictedLikelihood(solved, stated, *kinds), best
        best = likelihood.maximise(before.theta, np.ones(len(components), bool))
        if _moved(best, before) < _SETTLED:
            break
    return _judged(likelihood, best, redundancy, components, solved, variance_factor)


def scaled(
    observations: Observations, components: Sequence[Component], factors: np.ndarray
) -> Observations:
    """The observations with every component's variances multiplied by its factor."""
    root = np.sqrt(np.append(factors, 1.0))  # the last is that of no component
    of_row, of_reading = _kinds(observations, components)
    return observations.scaled(root[of_row], root[of_reading])


def _kinds(observations: Observations, components: Sequence[Component]
           ) -> tuple[np.ndarray, np.ndarray]:
    """Which component each row and each reading is of, -1 for none."""
    of_row = np.full(len(observations.values), -1)
    of_reading = np.full(observations.readings.shape[1], -1)
    for i, component in enumerate(components):
        if component.rows is not None:
            of_row[component.rows] = i
        else:
            of_reading[component.reading] = i
    return of_row, of_reading


def _alone(likelihood: RestrictedLikelihood) -> list[Fit]:
    """The maxima over each factor alone, the others as stated."""
    ones = np.ones(likelihood.kinds)
    return [likelihood.maximise(ones, mask, NEARLY_SETTLED)
            for mask in np.eye(likelihood.kinds, dtype=bool)]


def _best(likelihood: RestrictedLikelihood) -> Fit:
    """The highest maximum over all factors, from several starts."""
    ones = np.ones(likelihood.kinds)
    likely = sorted(_alone(likelihood), key=lambda fit: -fit.value)[:2]
    starts = [likelihood.variance_factor * ones, likelihood.units / len(ones)]
    starts += [fit.theta for fit in likely]
    fits = [likelihood.maximise(start, ones > 0, NEARLY_SETTLED) for start in starts]
    return max(fits, key=lambda fit: fit.value)


def _moved(fit: Fit, before: Fit) -> float:
    """Largest change of a factor over its sd, the others taken as known."""
    information = np.maximum(np.diag(fit.slope.information), 0.0)
    return float((np.abs(fit.theta - before.theta) * np.sqrt(information)).max(initial=0.0))


def _judged(likelihood: RestrictedLikelihood, best: Fit, redundancy: np.ndarray,
            components: Sequence[Component], solved: Adjustment, variance_factor: float
            ) -> VarianceComponents:
    dof = effective_dof(likelihood, best.theta, best.theta)
    # A factor near 0 has few by the formula, though its interval may be narrow.
    stated = effective_dof(likelihood, best.theta, min(variance_factor, 1.0))
    dof = np.where(dof < LEAST_DOF, np.maximum(dof, stated), dof)
    worth = effective_dof(likelihood, best.theta, WORTH_TELLING * variance_factor) >= LEAST_DOF
    profiles = {k: Profile(likelihood, best, k, dof[k])
                for k in np.flatnonzero(worth | (dof >= LEAST_DOF)).tolist()}
    alone = _alone(likelihood)
    chance, low, high = np.full((3, len(dof)), np.nan)
    for k, profile in profiles.items():
        chance[k] = profile.chance(1.0)
    differs, group = _decided(chance, _alone_chance(likelihood, alone), alone)
    told, seen = worth | differs, best.theta > _SEEN * likelihood.units
    for k in np.flatnonzero(told).tolist():
        low[k], high[k] = profiles[k].interval()
    return VarianceComponents(
        labels=tuple(c.label for c in components),
        factor=np.where(told, np.where(seen, best.theta, 0.0), np.nan),
        sd=np.where(told, sds(best.slope.information), np.nan),
        dof=np.where(told, dof, np.nan),
        low95=low,
        high95=high,
        redundancy=redundancy,
        chance=np.where(told, chance, np.nan),
        differs=differs,
        group=group,
        alone=np.array([fit.theta[k] for k, fit in enumerate(alone)]),
        adjustment=solved,
    )


def _alone_chance(likelihood: RestrictedLikelihood, alone: list[Fit]) -> np.ndarray:
    """Chance of what each kind alone, the others as stated, explains if nothing is wrong."""
    ones, chance = np.ones(len(alone)), np.ones(len(alone))
    stated = likelihood.value(ones)
    for k, fit in enumerate(alone):
        at = np.where(np.arange(len(ones)) == k, max(fit.theta[k], 1.0), 1.0)
        dof = 2 * at[k] ** 2 * likelihood.slope(at).information[k, k]
        if dof >= LEAST_DOF:
            chance[k] = chi2_sf(2 * (fit.value - stated) / bartlett_factor(dof), 1)
    return chance


def _decided(chance: np.ndarray, alone_chance: np.ndarray, alone: list[Fit]
             ) -> tuple[np.ndarray, tuple[int, ...]]:
    """Mask of the kinds that differ, and the group that holds what cannot be named."""
    differs, told = np.zeros(len(chance), bool), np.isfinite(chance)
    count, tested = int(told.sum()), int((alone_chance < 1).sum())
    least = min(np.min(chance[told] * count, initial=1.0), np.min(alone_chance * tested))
    if not tested or least > RUN_LEVEL / 2:
        return differs, ()
    for step, k in enumerate(np.argsort(np.where(told, chance, np.inf))[:count]):
        if chance[k] * (count - step) > RUN_LEVEL:
            break
        differs[k] = True
    if differs.any():
        return differs, ()
    value = np.array([fit.value for fit in alone])
    return differs, tuple(np.flatnonzero(value >= value.max() - np.log(TIMES_BETTER)).tolist())
