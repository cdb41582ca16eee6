"""A first look: near the minimum in a few damped steps, with or without robust block weights.

For comparing many explanations of the same data. It stops after a fixed number of steps, never
complains, and linearises at the readings as they are; what it finds is to be adjusted properly
(`calib.adjust.mixed_model.adjust`) before a number is believed. Damping after K. Levenberg,
Quarterly of Applied Mathematics 2 (1944) 164-168, and D. W. Marquardt, SIAM Journal 11 (1963)
431-441 (from memory).
"""

from dataclasses import dataclass

import numpy as np

from calib.adjust.observations import Model, Observations, Prior
from calib.adjust.whitening import misclosure_covariance, whiteners_of

_WORTH_ANOTHER_STEP, _PATIENCE = 3e-3, 6


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
    parameters, free = np.array(start, float), np.flatnonzero(~np.asarray(held, bool))
    sizes = np.zeros(len(observations.readings), int)
    for group in observations.groups:
        sizes[group.blocks] = group.rows.shape[1]
    prior_whitener = whiteners_of(prior.covariance)
    powerless = observations.powerless_covariance
    reading_covariance = tuple(powerless[group.blocks] for group in observations.groups)

    def state(parameters: np.ndarray, weights: np.ndarray) -> _State | None:
        try:
            return _State.at(model, observations, reading_covariance, prior, prior_whitener, free,
                             parameters, weights)
        except np.linalg.LinAlgError:  # so far off that a block's covariance is not one
            return None

    weights = np.ones(len(sizes))
    now, damping = state(parameters, weights), 1e-3
    if now is None or not np.isfinite(now.chi2):
        nowhere = np.full(len(sizes), np.inf)
        return Look(parameters, np.inf, nowhere, sizes, np.zeros((len(free), len(free))))
    for taken in range(steps):
        if taken == _PATIENCE and now.chi2 > give_up:
            break
        if robust:
            weights = _weights(now.block_chi2, sizes)
            now = now.weighted(weights, observations)
        change = now.step(damping)
        trial = parameters.copy()
        trial[free] += change
        new = state(trial, weights)
        if new is not None and new.weighted_chi2 < now.weighted_chi2:
            gain = now.weighted_chi2 - new.weighted_chi2
            parameters, now, damping = trial, new, damping / 10
            if gain < _WORTH_ANOTHER_STEP * max(1.0, new.weighted_chi2):
                break
        else:
            damping *= 30
            if damping > 1e6:
                break
    return Look(parameters, now.chi2, now.block_chi2, sizes, now.jacobian.T @ now.jacobian)


@dataclass(frozen=True)
class _State:
    """Whitened residuals and Jacobian at some parameters; rows of blocks, then of priors."""

    residuals: np.ndarray
    jacobian: np.ndarray
    block_chi2: np.ndarray
    prior_chi2: float
    row_weights: np.ndarray

    @classmethod
    def at(cls, model: Model, observations: Observations,
           reading_covariance: tuple[np.ndarray, ...], prior: Prior, prior_whitener: np.ndarray,
           free: np.ndarray, parameters: np.ndarray, weights: np.ndarray) -> "_State":
        n = len(observations.values)
        prediction = model(parameters, observations.readings)
        h, by_parameters = prior.function(parameters)
        whole = np.empty((n + len(h), 1 + len(free)))  # residuals, then Jacobian
        whole[:n, 0] = observations.values - prediction.values
        whole[:n, 1:] = np.asarray(prediction.by_parameters)[:, free]
        block_chi2, row_weights = np.zeros(len(observations.readings)), np.ones(len(whole))
        for group, q in zip(observations.groups, reading_covariance, strict=True):
            rows, b = group.rows, prediction.by_readings[group.rows]
            whitened = whiteners_of(misclosure_covariance(group.covariance, b, q)) @ whole[rows]
            whole[rows] = whitened
            block_chi2[group.blocks] = np.sum(whitened[:, :, 0] ** 2, axis=1)
            row_weights[rows] = weights[group.blocks][:, None]
        whole[n:, 0] = prior_whitener @ (prior.values - h)
        whole[n:, 1:] = prior_whitener @ by_parameters[:, free]
        return cls(whole[:, 0], whole[:, 1:], block_chi2, float(np.sum(whole[n:, 0] ** 2)),
                   row_weights)

    @property
    def chi2(self) -> float:
        total = float(np.sum(self.block_chi2)) + self.prior_chi2
        return total if np.isfinite(total) else np.inf

    @property
    def weighted_chi2(self) -> float:
        total = float(np.sum(self.row_weights * self.residuals**2))
        return total if np.isfinite(total) else np.inf

    def weighted(self, weights: np.ndarray, observations: Observations) -> "_State":
        row_weights = self.row_weights.copy()
        for group in observations.groups:
            row_weights[group.rows] = weights[group.blocks][:, None]
        return _State(self.residuals, self.jacobian, self.block_chi2, self.prior_chi2, row_weights)

    def step(self, damping: float) -> np.ndarray:
        weighted = self.jacobian * self.row_weights[:, None]
        normal, right = weighted.T @ self.jacobian, weighted.T @ self.residuals
        diagonal = np.diag(normal).copy()
        diagonal[diagonal <= 0] = 1.0
        scale = 1 / np.sqrt(diagonal)
        scaled = normal * np.outer(scale, scale)
        # The added unit keeps a deficient problem solvable: its null directions do not move.
        scaled[np.diag_indices_from(scaled)] += damping + 1e-12
        return scale * np.linalg.solve(scaled, scale * right)


def _weights(block_chi2: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    used = sizes > 0
    u = np.sqrt(block_chi2[used] / sizes[used])
    weights = np.ones(len(sizes))
    weights[used] = 1 / (1 + (u / (2 * max(1.0, float(np.median(u))))) ** 2)
    return weights
