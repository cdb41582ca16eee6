"""A first look: near the minimum in a few damped steps, with or without robust block weights.

For comparing many explanations of the same data, also many at once: problems of the same shape
take their steps side by side. It stops after a fixed number of steps, never complains, and
linearises at the readings as they are; what it finds is to be adjusted properly
(`calib.adjust.mixed_model.adjust`) before a number is believed. Damping after K. Levenberg,
Quarterly of Applied Mathematics 2 (1944) 164-168, and D. W. Marquardt, SIAM Journal 11 (1963)
431-441 (from memory).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.adjust.observations import BlockGroup, Model, Observations, Prediction, Prior
from calib.adjust.whitening import block_whiteners, whitened, whiteners_of

_WORTH_ANOTHER_STEP, _PATIENCE = 3e-3, 6

#: Predicts for several problems at once: their numbers, shape (c,), parameters (c, p) and readings
#: (c, n_blocks, k) to predictions of all rows, one problem after the other.
ManyModels = Callable[[np.ndarray, np.ndarray, np.ndarray], Prediction]


@dataclass(frozen=True)
class Look:
    """Where a few steps led."""

    parameters: np.ndarray  #: Shape (p,).
    chi2: float  #: All blocks at full weight, priors included; inf if the model is not finite.
    #: Shape (n_blocks,). Squared whitened misclosures per block; 0 for a block without
    #: observations.
    block_chi2: np.ndarray
    block_size: np.ndarray  #: Int, shape (n_blocks,).
    normal: np.ndarray  #: Shape (p_free, p_free). J'J of the last linearisation, priors included.


def look(
    model: Model, observations: Observations, start: np.ndarray, *, prior: Prior,
    held: np.ndarray, steps: int = 15, give_up: float = np.inf, robust: bool = False,
) -> Look:
    """Walk towards the minimum.

    Parameters
    ----------
    give_up : float
        Stop if chi2 is still above this after `_PATIENCE` steps.
    robust : bool
        Divide each block's variances by 1 + (u / 2s)^2, u its root mean square whitened
        misclosure and s the median of those, at least 1: blocks that are far out pull little.
    """
    return looks(lambda _, x, readings: model(x[0], readings[0]), [observations],
                 np.array(start, float)[None], prior=prior, held=held, steps=steps,
                 give_up=give_up, robust=robust)[0]


def looks(
    model: ManyModels,
    observations: Sequence[Observations],
    starts: np.ndarray,
    *,
    prior: Prior,
    held: np.ndarray,
    steps: int = 15,
    give_up: float = np.inf,
    robust: bool = False,
) -> list[Look]:
    """Walk towards the minima of several problems at once; see `look`.

    Parameters
    ----------
    model : callable
        See `ManyModels`.
    observations : sequence of Observations
        Of each problem, in blocks of the same rows.
    starts : ndarray, shape (n_problems, p)
    """
    problems = _Problems(model, tuple(observations), prior, np.flatnonzero(~np.asarray(held, bool)))
    now, damping = problems.at(np.arange(len(starts)), starts.copy()), np.full(len(starts), 1e-3)
    weights = np.ones_like(now.block_chi2)
    nowhere = ~np.isfinite(now.chi2)
    going = ~nowhere
    for taken in range(steps):
        if taken == _PATIENCE:
            going &= now.chi2 <= give_up
        which = np.flatnonzero(going)
        if not len(which):
            break
        here = now.of(which)
        if robust:
            weights[which] = _weights(here.block_chi2, problems.sizes)
        by_row = problems.row_weights(weights[which])
        trial = here.parameters.copy()
        trial[:, problems.free] += here.step(damping[which], by_row)
        new = problems.at(which, trial)
        before, after = here.weighted_chi2(by_row), new.weighted_chi2(by_row)
        better = after < before
        now.replace(which[better], new.of(np.flatnonzero(better)))
        damping[which] = np.where(better, damping[which] / 10, damping[which] * 30)
        with np.errstate(invalid="ignore"):
            near = better & (before - after < _WORTH_ANOTHER_STEP * np.maximum(1.0, after))
        going[which[near | (~better & (damping[which] > 1e6))]] = False
    normal = np.where(nowhere[:, None, None], 0.0, now.normal)
    block_chi2 = np.where(nowhere[:, None], np.inf, now.block_chi2)
    return [Look(x, chi2, by_block, problems.sizes, j) for x, chi2, by_block, j in zip(
        now.parameters, now.chi2.tolist(), block_chi2, normal, strict=True)]


@dataclass(frozen=True)
class _States:
    """Problems at some parameters: whitened residuals, then Jacobian, (c, n + q, 1 + p_free)."""

    parameters: np.ndarray
    whole: np.ndarray
    block_chi2: np.ndarray
    prior_chi2: np.ndarray

    @property
    def chi2(self) -> np.ndarray:
        total = self.block_chi2.sum(1) + self.prior_chi2
        return np.where(np.isfinite(total), total, np.inf)

    def weighted_chi2(self, weights: np.ndarray) -> np.ndarray:
        total = np.sum(weights * self.whole[:, :, 0] ** 2, axis=1)
        return np.where(np.isfinite(total), total, np.inf)

    @property
    def normal(self) -> np.ndarray:
        jacobian = self.whole[:, :, 1:]
        normal: np.ndarray = jacobian.transpose(0, 2, 1) @ jacobian
        return normal

    def of(self, which: np.ndarray) -> "_States":
        return _States(*(getattr(self, name)[which] for name in self.__dataclass_fields__))

    def replace(self, which: np.ndarray, others: "_States") -> None:
        for name in self.__dataclass_fields__:
            getattr(self, name)[which] = getattr(others, name)

    def step(self, damping: np.ndarray, weights: np.ndarray) -> np.ndarray:
        jacobian = self.whole[:, :, 1:]
        weighted = (jacobian * weights[:, :, None]).transpose(0, 2, 1)
        normal, right = weighted @ jacobian, weighted @ self.whole[:, :, :1]
        own = np.arange(normal.shape[1])
        diagonal = normal[:, own, own]
        scale = 1 / np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
        scaled = normal * scale[:, :, None] * scale[:, None, :]
        # The added unit keeps a deficient problem solvable: its null directions do not move.
        scaled[:, own, own] += damping[:, None] + 1e-12
        return scale * np.linalg.solve(scaled, scale[:, :, None] * right)[..., 0]


@dataclass(frozen=True)
class _Problems:
    """What is looked at, and the numbers of the parameters that are free."""

    model: ManyModels
    observations: tuple[Observations, ...]
    prior: Prior
    free: np.ndarray

    @cached_property
    def sizes(self) -> np.ndarray:
        """How many observations each block has."""
        sizes = np.zeros(len(self.observations[0].readings), int)
        for group in self.observations[0].groups:
            sizes[group.blocks] = group.rows.shape[1]
        return sizes

    @cached_property
    def _values(self) -> np.ndarray:
        return np.stack([o.values for o in self.observations])

    @cached_property
    def _readings(self) -> np.ndarray:
        return np.stack([o.readings for o in self.observations])

    @cached_property
    def _reading_covariances(self) -> np.ndarray:
        return np.stack([o.powerless_covariance for o in self.observations])

    def _groups(self, which: np.ndarray) -> list[BlockGroup]:
        """The blocks of some problems, one problem after the other."""
        lane = np.arange(len(which))[:, None]
        return [BlockGroup(
            np.concatenate(group.rows + lane[..., None] * self._values.shape[1]),
            np.concatenate(group.blocks + lane * len(self.sizes)),
            np.concatenate([self.observations[w].groups[i].covariance for w in which]),
        ) for i, group in enumerate(self.observations[0].groups)]

    @cached_property
    def _prior_whitener(self) -> np.ndarray:
        return whiteners_of(self.prior.covariance)

    def at(self, which: np.ndarray, parameters: np.ndarray) -> _States:
        """Problems `which` at their parameters; infinitely bad where there is no model."""
        try:
            return self._at(which, parameters)
        except np.linalg.LinAlgError:  # so far off that a block's covariance is not one
            if len(which) > 1:
                each = [self.at(which[[i]], parameters[[i]]) for i in range(len(which))]
                return _States(*(np.concatenate([getattr(one, name) for one in each])
                                 for name in _States.__dataclass_fields__))
        nowhere = np.full((1, len(self.sizes)), np.inf)
        rows = len(self._values[0]) + len(self.prior.values)
        return _States(parameters, np.full((1, rows, 1 + len(self.free)), np.inf), nowhere,
                       np.zeros(1))

    def _at(self, which: np.ndarray, parameters: np.ndarray) -> _States:
        c, groups = len(which), self._groups(which)
        prediction = self.model(which, parameters, self._readings[which])
        rows = np.column_stack([self._values[which].ravel() - prediction.values,
                                np.asarray(prediction.by_parameters)[:, self.free]])
        rows = whitened(groups, rows, block_whiteners(
            groups, prediction.by_readings, np.concatenate(self._reading_covariances[which])))
        block_chi2 = np.zeros(c * len(self.sizes))
        for group in groups:
            block_chi2[group.blocks] = np.sum(rows[group.rows, 0] ** 2, axis=1)
        below = np.empty((c, len(self.prior.values), 1 + len(self.free)))
        for i, x in enumerate(parameters):
            h, by_parameters = self.prior.function(x)
            below[i, :, 0] = self._prior_whitener @ (self.prior.values - h)
            below[i, :, 1:] = self._prior_whitener @ by_parameters[:, self.free]
        whole = np.concatenate([rows.reshape(c, -1, rows.shape[1]), below], axis=1)
        return _States(parameters, whole, block_chi2.reshape(c, -1),
                       np.sum(below[:, :, 0] ** 2, axis=1))

    def row_weights(self, weights: np.ndarray) -> np.ndarray:
        """Those of blocks, (c, n_blocks), row by row; 1 of the prior's."""
        by_row = np.ones((len(weights), self._values.shape[1] + len(self.prior.values)))
        for group in self.observations[0].groups:
            by_row[:, group.rows] = weights[:, group.blocks, None]
        return by_row


def _weights(block_chi2: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    used = sizes > 0
    u = np.sqrt(block_chi2[:, used] / sizes[used])
    weights = np.ones_like(block_chi2)
    middle = np.maximum(1.0, np.median(u, axis=1, keepdims=True))
    weights[:, used] = 1 / (1 + (u / (2 * middle)) ** 2)
    return weights
