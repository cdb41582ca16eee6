"""Restricted likelihood of variance factors, block by block.

With w the misclosures of a linearised problem, A its design, V = sum of theta_k V_k their
covariance in mutually independent blocks and H the whitened prior, the restricted log-likelihood
is, but for a constant,

    l(theta) = -1/2 (log|V| + log|N| + w' P w),    N = A' V^-1 A + H' H,
    P = V^-1 - V^-1 A N^-1 A' V^-1,

    dl/dtheta_k = 1/2 (w' P V_k P w - tr(P V_k)),    information F_kl = 1/2 tr(P V_k P V_l):

H. D. Patterson and R. Thompson, "Recovery of inter-block information when block sizes are unequal",
Biometrika 58 (1971) 545-554; K.-R. Koch, "Maximum likelihood estimate of variance components",
Bulletin Geodesique 60 (1986) 329-338 (both from memory). No matrix larger than a block or than N is
ever formed: every V_k is a sum of signed squares s f f', few per block, and with V = L L',
N = R' R, c = L^-1 f and y = R^-T A' L^-T c all traces are sums over the pairs of columns of a block
of (c' c)^2 and (c' c)(y' y), and over the blocks of y y'.

Scoring steps F theta_new = F theta + dl/dtheta are those of iterated Helmert and MINQUE; with
theta_new >= 0 they are a non-negative least-squares problem. A step is shortened until the
likelihood rises.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from scipy.optimize import nnls

from calib.adjust.adjustment import Adjustment
from calib.adjust.observations import BlockGroup, Observations
from calib.adjust.whitening import whiteners_of

#: Below this a factor counts as this where its root is divided by.
_LEAST_ROOT = 1e-8

#: Degrees of freedom of a kind below which it is left where it is, for rounding, even if it were
#: noisy; and the most times noisier (in variance, against the whole) than stated that it may be.
_LEAST_TOLD, _MOST_TIMES = 1e-6, 1e8

#: Factors below this share of their unit count as 0: with it V is never singular, and where too few
#: values make the likelihood rise for ever towards 0, it ends there.
_ZERO = 1e-8

#: Blocks are padded to at most so many times their size.
_MOST_PADDED = 2

#: Smallest eigenvalue of a scaled information matrix in a step.
_RIDGE = 1e-10

#: Climbing ends when a step promises less than the first, in units of log-likelihood; the second is
#: enough to compare two maxima.
SETTLED, NEARLY_SETTLED = 1e-10, 1e-3
_MOST_STEPS, _MOST_HALVINGS = 60, 20


@dataclass(frozen=True)
class _Blocks:
    """Whitened blocks of equal size; V = sum over pairs of sqrt(theta_a theta_b) part."""

    #: design, misclosure: Shapes (g, m, p) and (g, m).
    design: np.ndarray
    misclosure: np.ndarray
    pairs: np.ndarray  #: Int, shape (2, n_pairs).
    parts: np.ndarray  #: Shape (n_pairs, g, m, m).
    #: columns, signs: Shapes (g, m, c) and (g, c): each part is the sum of signs * column column'.
    columns: np.ndarray
    signs: np.ndarray
    pair_of_column: np.ndarray  #: Int, shape (c,).

    @cached_property
    def sign_products(self) -> np.ndarray:
        products: np.ndarray = self.signs[:, :, None] * self.signs[:, None, :]
        return products


@dataclass(frozen=True)
class Slope:
    """The restricted likelihood about one point."""

    value: float
    score: np.ndarray  #: Shape (k,).
    information: np.ndarray  #: Shape (k, k). Expected.
    #: Shape (k, k). Observed information; of no definite sign far from a maximum.
    observed: np.ndarray
    #: Shape (k,), tr(P V_k); at factors of 1 the sum of a kind's redundancy numbers.
    traces: np.ndarray


@dataclass(frozen=True)
class Fit:
    """A maximum, with some of the factors possibly held."""

    theta: np.ndarray  #: Shape (k,).
    slope: Slope

    @property
    def value(self) -> float:
        return self.slope.value


class RestrictedLikelihood:
    """Of the variance factors of `k` kinds of values in a solved problem, factors >= 0.

    Attributes
    ----------
    kinds : int
    variance_factor : float
        Of the adjustment where the problem is linearised.
    units : ndarray, shape (k,)
        Factors at which each kind by itself would be as noisy as all together were seen to be.
    least : ndarray, shape (k,)
        Factors that count as 0.

    Parameters
    ----------
    solved : Adjustment
        Where the problem is linearised; its own covariances only serve to whiten.
    stated : Observations
        With the covariances that factors of 1 stand for.
    kind_of_row : ndarray of int, shape (n,)
        Which kind each observation is of; -1 for none, then its variance stays as stated.
    kind_of_reading : ndarray of int, shape (n_readings,)
        Likewise for the readings.
    """

    def __init__(
        self,
        solved: Adjustment,
        stated: Observations,
        kind_of_row: np.ndarray,
        kind_of_reading: np.ndarray,
    ):
        linearised, n = solved.linearised, len(solved.residuals)
        left = linearised.spectrum.left  # orthonormal: N is the identity where V is
        self.kinds = 1 + int(max(kind_of_row.max(initial=-1), kind_of_reading.max(initial=-1)))
        self._prior = left[n:]
        self._prior_misclosure = linearised.misclosure[n:]
        self.variance_factor = solved.variance_factor or 1.0
        whitened = [
            _whitened(
                group, whitener, linearised.by_readings[group.rows],
                stated.reading_covariance[group.blocks], kind_of_row[group.rows],
                kind_of_reading, left[group.rows], linearised.misclosure[group.rows],
            )
            for group, whitener in zip(stated.groups, linearised.whiteners, strict=False)
        ]
        self._blocks = tuple(_blocks(alike) for alike in _alike(whitened))
        self.units = self._units()
        self.least = _ZERO * self.units
        self._last: tuple[bytes, _Reduced | None] = (b"", None)

    def value(self, theta: np.ndarray) -> float:
        """The restricted log-likelihood; -inf where it cannot be computed."""
        reduced = self._reduced(theta)
        return -np.inf if reduced is None else reduced.value

    def slope(self, theta: np.ndarray) -> Slope:
        """Value, score and expected information.

        Raises
        ------
        ValueError
            Where V is singular.
        """
        reduced = self._reduced(theta)
        if reduced is None:
            raise ValueError(f"the covariance is singular at factors {theta}")
        p, k = self._prior.shape[1], self.kinds
        squares, own = np.zeros(k), np.zeros(k)
        gram, flat = np.zeros((k, k)), np.zeros((k, p * p))
        bent, along = np.zeros((k, k)), np.zeros((k, p))
        solution = np.linalg.solve(reduced.normal, reduced.right)
        root = reduced.root
        for blocks, (inverse, design, misclosure) in zip(
            self._blocks, reduced.whitened, strict=True
        ):
            rates = _rates(blocks.pairs, theta, k)[:, blocks.pair_of_column]
            columns = (inverse @ blocks.columns).transpose(0, 2, 1)
            residuals = misclosure - design @ solution
            seen = (columns @ residuals[..., None])[..., 0]
            through = columns @ (design @ root)
            pulled = blocks.signs * seen
            between = columns @ columns.transpose(0, 2, 1)
            shared = between * (between - 2 * (through @ through.transpose(0, 2, 1)))
            by_column = through.transpose(1, 0, 2)
            pulled_along = (pulled.T[:, None] @ by_column)[:, 0]
            products = (by_column * blocks.signs.T[..., None]).transpose(0, 2, 1) @ by_column
            gram += rates @ (blocks.sign_products * shared).sum(0) @ rates.T
            bent += rates @ (pulled[:, :, None] * between * pulled[:, None, :]).sum(0) @ rates.T
            along += rates @ pulled_along
            squares += rates @ (pulled * seen).sum(0)
            own += rates @ (blocks.signs * np.einsum("grr->gr", between)).sum(0)
            flat += rates @ products.reshape(len(products), -1)
        information = (gram + flat @ flat.T) / 2
        traces = own - flat[:, :: p + 1].sum(1)
        observed = bent - along @ along.T - information
        return Slope(reduced.value, (squares - traces) / 2, information, observed, traces)

    def maximise(
        self, start: np.ndarray, free: np.ndarray, settled: float = SETTLED
    ) -> Fit:
        """Climb from `start`; factors that are not `free` (mask, shape (k,)) keep their value.

        Raises
        ------
        ValueError
            If V is singular at the start.
        """
        theta = np.where(free, np.maximum(start, self.least), start)
        slope = self.slope(theta)
        for _ in range(_MOST_STEPS):
            step = self._step(slope, theta, free)
            promised = slope.score @ step
            if promised < settled:
                break
            for halving in range(_MOST_HALVINGS):
                tried = theta + step / 2**halving
                if self.value(tried) > slope.value + 1e-4 * promised / 2**halving:
                    break
            else:
                break
            theta, slope = tried, self.slope(tried)
        return Fit(theta, slope)

    def _step(self, slope: Slope, theta: np.ndarray, free: np.ndarray) -> np.ndarray:
        """To the best factors >= 0 of the quadratic model; factors that nothing tells of stay.

        Newton's step with the observed information where that is positive definite, else scoring
        with the expected one.
        """
        told = np.diag(slope.information) * np.maximum(theta, self.units) ** 2
        telling = free & (told > _LEAST_TOLD)
        step = np.zeros(len(theta))
        if not telling.any():
            return step
        for curvature in (slope.observed, slope.information):
            curvature = curvature[np.ix_(telling, telling)]
            scale = 1 / np.sqrt(np.abs(np.diag(curvature)) + np.finfo(float).tiny)
            values, vectors = np.linalg.eigh(curvature * np.outer(scale, scale))
            if values[0] > _RIDGE:
                break
        # With C = R' R the x >= 0 that minimises x' C x / 2 - x' b is that of |R x - R'^-1 b|.
        root = np.sqrt(np.maximum(values, _RIDGE))
        above = (theta - self.least)[telling]
        aim = (vectors.T @ (scale * slope.score[telling]) / root
               + root * (vectors.T @ (above / scale)))
        step[telling] = nnls(root[:, None] * vectors.T, aim)[0] * scale - above
        return step

    def _units(self) -> np.ndarray:
        """Factors at which each kind by itself is as noisy as the whole, within reason."""
        columns, traces = np.zeros((2, self.kinds + 1))
        for blocks in self._blocks:
            for i, (a, b) in enumerate(blocks.pairs.T):
                if a == b:
                    columns[a] += np.count_nonzero(blocks.signs[:, blocks.pair_of_column == i])
                    traces[a] += np.einsum("gaa->", blocks.parts[i])
        share = np.maximum(traces / np.maximum(columns, 1), 1 / _MOST_TIMES)[: self.kinds]
        return self.variance_factor / share

    def _reduced(self, theta: np.ndarray) -> "_Reduced | None":
        """The normal equations of the parameters at these factors.

        None where V is singular, or where they are as far as can be computed: with factors that
        are many powers of ten apart.
        Remembers the last: where a step has led is asked for its value first, then for its slope.
        """
        if self._last[0] != theta.tobytes():
            self._last = theta.tobytes(), self._reduce(theta)
        return self._last[1]

    def _reduce(self, theta: np.ndarray) -> "_Reduced | None":
        normal = self._prior.T @ self._prior
        right = self._prior.T @ self._prior_misclosure
        log_det, square = 0.0, self._prior_misclosure @ self._prior_misclosure
        whitened = []
        for blocks in self._blocks:
            total = np.tensordot(_weights(blocks.pairs, theta), blocks.parts, 1)
            try:
                inverse = whiteners_of(total)
            except np.linalg.LinAlgError:
                return None
            design = inverse @ blocks.design
            misclosure = (inverse @ blocks.misclosure[..., None])[..., 0]
            flat = design.reshape(-1, design.shape[2])
            normal += flat.T @ flat
            right += flat.T @ misclosure.ravel()
            log_det -= 2 * np.log(np.einsum("gaa->ga", inverse)).sum()
            square += misclosure.ravel() @ misclosure.ravel()
            whitened.append((inverse, design, misclosure))
        try:
            root = whiteners_of(normal).T
        except np.linalg.LinAlgError:
            return None
        log_det -= 2 * np.log(np.diag(root)).sum()
        square -= right @ np.linalg.solve(normal, right)
        return _Reduced(normal, right, root, -(log_det + square) / 2, whitened)


@dataclass(frozen=True)
class _Reduced:
    normal: np.ndarray
    right: np.ndarray
    root: np.ndarray
    value: float
    whitened: list[Any]


class _Whitened(NamedTuple):
    """Whitened blocks of one group; `parts` by pair of kinds, shape (g, m, m) each."""

    design: np.ndarray
    misclosure: np.ndarray
    parts: dict[tuple[int, int], np.ndarray]

    def padded(self, size: int) -> "_Whitened":
        """With rows that say nothing below each block, of unit variance whatever the factors."""
        g, own = self.misclosure.shape
        more = size - own
        parts = {pair: np.pad(part, ((0, 0), (0, more), (0, more)))
                 for pair, part in self.parts.items()}
        if more:
            parts.setdefault((-1, -1), np.zeros((g, size, size)))
            parts[-1, -1][:, range(own, size), range(own, size)] = 1.0
        return _Whitened(np.pad(self.design, ((0, 0), (0, more), (0, 0))),
                         np.pad(self.misclosure, ((0, 0), (0, more))), parts)


def _whitened(group: BlockGroup, whitener: np.ndarray, by_readings: np.ndarray,
              reading_covariance: np.ndarray, kind_of_row: np.ndarray, kind_of_reading: np.ndarray,
              design: np.ndarray, misclosure: np.ndarray) -> _Whitened:
    parts: dict[tuple[int, int], np.ndarray] = {}

    def add(a: int, b: int, part: np.ndarray) -> None:
        if part.any():
            key = (min(a, b), max(a, b))
            parts[key] = parts.get(key, 0.0) + whitener @ part @ whitener.transpose(0, 2, 1)

    rows, readings = np.unique(kind_of_row), np.unique(kind_of_reading)
    for a in rows:
        for b in rows:
            mask = (kind_of_row == a)[:, :, None] & (kind_of_row == b)[:, None, :]
            add(a, b, group.covariance * mask)
    for a in readings:
        for b in readings:
            one, other = kind_of_reading == a, kind_of_reading == b
            own = reading_covariance[:, one][:, :, other]
            add(a, b, by_readings[:, :, one] @ own @ by_readings[:, :, other].transpose(0, 2, 1))
    missing = _missing(whitener)
    if missing.any():
        parts[-1, -1] = parts.get((-1, -1), 0.0) + missing
    return _Whitened(design, misclosure, parts)


def _alike(groups: list[_Whitened]) -> list[list[_Whitened]]:
    """Groups whose blocks are padded to one size: few calls on many blocks are quick."""
    left, together = sorted(groups, key=lambda group: -group.misclosure.shape[1]), []
    while left:
        size = left[0].misclosure.shape[1]
        fit = [group for group in left if group.misclosure.shape[1] * _MOST_PADDED >= size]
        together.append([group.padded(size) for group in fit])
        left = left[len(fit):]
    return together


def _blocks(groups: list[_Whitened]) -> _Blocks:
    """Groups of blocks of one size as one."""
    pairs = list(dict.fromkeys(pair for group in groups for pair in group.parts))
    stack = np.stack([
        np.concatenate([group.parts.get(pair, np.zeros((*group.misclosure.shape,
                                                        group.misclosure.shape[1])))
                        for group in groups])
        for pair in pairs])
    return _Blocks(np.concatenate([group.design for group in groups]),
                   np.concatenate([group.misclosure for group in groups]),
                   np.array(pairs).T, stack, *_columns(np.array(pairs), stack))


def _missing(whitener: np.ndarray) -> np.ndarray:
    """Projector on what a whitener leaves out of its block: values that are set aside.

    Nothing of design and misclosure is there; as a part of V it keeps V regular, no more.
    """
    vectors, sizes, _ = np.linalg.svd(whitener)
    out = vectors * (sizes <= 1e-10 * sizes[:, :1])[:, None, :]
    projector: np.ndarray = out @ out.transpose(0, 2, 1)
    return projector


def _columns(pairs: np.ndarray, parts: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Every part with a factor as a sum of signed squares, without those that vanish."""
    values, vectors = np.linalg.eigh(parts)  # (n_pairs, g, m), (n_pairs, g, m, m)
    size = np.abs(values)
    scaled = np.max(pairs, axis=1) >= 0
    kept = (size > 1e-12 * size.max(axis=2, keepdims=True)) & scaled[:, None, None]
    pair, column = np.nonzero(kept.any(axis=1))
    lengths = np.sqrt(size[pair, :, column] * kept[pair, :, column])
    columns = vectors[pair, :, :, column] * lengths[..., None]
    return columns.transpose(1, 2, 0), (np.sign(values) * kept)[pair, :, column].T, pair


def _weights(pairs: np.ndarray, theta: np.ndarray) -> np.ndarray:
    one, other = pairs
    full = np.append(theta, 1.0)  # kind -1 is as stated
    weights: np.ndarray = np.sqrt(full[one] * full[other])
    return weights


def _rates(pairs: np.ndarray, theta: np.ndarray, kinds: int) -> np.ndarray:
    """Derivatives of the weights, shape (kinds, n_pairs)."""
    full = np.append(theta, 1.0)
    root = np.sqrt(np.maximum(full, _LEAST_ROOT))
    # That of kind -1 goes to a row of its own, which is dropped.
    rates, column = np.zeros((kinds + 1, pairs.shape[1])), np.arange(pairs.shape[1])
    for one, other in (pairs, pairs[::-1]):
        rates[one, column] += np.where(one == other, 0.5, 0.5 * np.sqrt(full[other]) / root[one])
    return rates[:-1]
