"""Mixed-model (Gauss-Helmert) least squares: errors in the observations and in the readings.

With x the parameters, l the readings, v their corrections, y the observations, f(x, l) the model,
A = df/dx and B = df/dl taken at the adjusted readings l + v, the estimate minimises

    sum over blocks of w' M^-1 w + (t - h(x))' C^-1 (t - h(x)),    M = B Q B' + S,
    w = y - f(x, l + v) + B v,    v = Q B' M^-1 w,

with Q, S, C the covariances of readings, observations and priors. M, B and v are frozen while
`scipy.optimize.least_squares` solves for x, then refreshed until nothing moves. From a start that
is near, steps of x and v together, M and B taken anew at each, lead to where it has little left to
do. The fixed point of both is that of the full adjustment with every reading as an unknown. Values
that are set aside are unknowns too, eliminated from their blocks (`calib.adjust.aside`).
Linearising at the adjusted and not at the raw readings follows A. J. Pope, "Some pitfalls to be
avoided in the iterative adjustment of nonlinear problems", Proc. 38th Annual Meeting, American
Society of Photogrammetry (1972) 449-477. Where the model gives its design as columns of sets of
blocks (`calib.adjust.bordered`), every step is taken on the compressed rows: the same step from
fewer numbers.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from scipy.optimize import least_squares

from calib.adjust.adjustment import Adjustment
from calib.adjust.aside import Eliminated, block_columns, eliminate
from calib.adjust.bordered import Bordered, Compressed
from calib.adjust.linearised import Linearised, reduced, residual
from calib.adjust.observations import BlockGroup, Model, Observations, Prediction, Prior
from calib.adjust.spectrum import NotDetermined
from calib.adjust.tall import MANY, Tall
from calib.adjust.threads import one_thread
from calib.adjust.whitening import block_whiteners, whitened, whiteners_of

#: Steps taken together, by how much each has to be smaller than the one before, and what share of
#: the tolerance the first that is not taken may have.
_MOST_STEPS, _SHRINKS, _ENDS = 12, 0.5, 0.1

#: At the end the Gauss-Newton step may be this many times the tolerance, or the root of chi2 times
#: where that is more: progress is judged by what it takes off chi2. Rounding leaves `_ROUNDING`.
_STALLED, _ROUNDING = 10.0, 1e-7

#: A direction of which the noise of the readings pretends this share of the information or more is
#: not determined. Ordinary runs stay below 0.01, those that do not settle come out at 0.4 to 2.
_PRETENDED = 0.25


class NotConverged(Exception):
    """The iteration did not settle; there is no result.

    Attributes
    ----------
    block : int or None
        The block whose reading still moves, if that is what does.
    """

    def __init__(self, says: str, block: int | None = None):
        self.block = block
        super().__init__(says)


class ModelNotFinite(Exception):
    """The model gave a prediction, or a derivative, that is no number.

    Attributes
    ----------
    rows : ndarray of int
        The observations concerned.
    parameters : ndarray
        Where the model was asked.
    """

    def __init__(self, rows: np.ndarray, parameters: np.ndarray):
        self.rows, self.parameters = rows, parameters
        super().__init__(f"the model is not finite for observations {rows[:5].tolist()}")


#: Why `adjust` may have no result.
NO_SOLUTION = (NotDetermined, NotConverged, ModelNotFinite)


@one_thread
def adjust(
    model: Model,
    observations: Observations,
    start: np.ndarray,
    *,
    names: Sequence[str] | None = None,
    prior: Prior | None = None,
    held: np.ndarray | None = None,
    corrections: np.ndarray | None = None,
    tolerance: float = 1e-3,
    most_iterations: int = 50,
) -> Adjustment:
    """Estimate parameters, reading corrections and their covariance.

    Parameters
    ----------
    model : callable
        See `calib.adjust.observations.Model`.
    start : ndarray, shape (p,)
        Starting values; held parameters keep theirs.
    names : sequence of str, optional
        For messages; numbered if not given.
    held : ndarray of bool, shape (p,), optional
    corrections : ndarray, shape (n_blocks, k), optional
        Of the readings, to start from; 0 if not given.
    tolerance : float
        Stop when no parameter and no reading moves by more than this share of its sd.

    Raises
    ------
    NotDetermined
        Naming the combinations of free parameters that nothing fixes; or next to nothing, less
        than the noise of the readings pretends, if that is why nothing settled.
    NotConverged
        With the reason; there is no result then.
    ModelNotFinite
        If the model fails at the start or on the way.
    """
    start = np.array(start, float)
    prior = Prior.none() if prior is None else prior
    free = np.ones(len(start), bool) if held is None else ~np.asarray(held, bool)
    names = tuple(names) if names is not None else tuple(f"x{i}" for i in range(len(start)))
    problem = _Problem(model, observations, prior, start, free, names)
    v = np.zeros_like(observations.readings) if corrections is None else corrections
    try:
        if len(observations.values) + len(prior.values) < free.sum():
            problem.refuse_deficient(problem.linearise(start[free], v))
        near = _approached(problem, v, tolerance, min(_MOST_STEPS, most_iterations))
        return _settled(problem, near, tolerance, most_iterations)
    except (NotConverged, ModelNotFinite):
        problem.refuse_drowned(start[free], v)
        raise


def linearised_at(model: Model, observations: Observations, prior: Prior, parameters: np.ndarray,
                  corrections: np.ndarray, held: np.ndarray) -> Linearised:
    """A problem where nobody has solved it; `NotConverged` or `ModelNotFinite` if it fails."""
    problem = _Problem(model, observations, prior, parameters, ~held, ())
    return problem.linearise(parameters[~held], corrections)


def _approached(problem: "_Problem", v: np.ndarray, tolerance: float, most_steps: int
                ) -> "_Start":
    """Where Gauss-Newton steps of x and v at once lead; where they do not shrink, the start.

    Steps that shrink twofold or more lead to a solution near by (natural monotonicity test:
    P. Deuflhard, *Newton Methods for Nonlinear Problems*, Springer 2004, from memory).
    """
    x, before = problem.start[problem.free], np.inf
    start = _Start(x, v)
    for taken in range(most_steps):
        try:
            with np.errstate(all="ignore"):  # a step too far ends here, not in a warning
                linearised = problem.linearise(x, v)
            step, ahead = linearised.step()
            frozen = _Frozen.of(linearised)
            w = linearised.raw[: len(problem.observations.values)] - linearised.change(step)
            v_new = problem.corrections(w, v, frozen)
        except (NotConverged, ModelNotFinite, np.linalg.LinAlgError):
            return start
        ahead = max(ahead, np.abs((v_new - v) / problem.turn_unit(linearised)).max(initial=0.0))
        if ahead < _ENDS * tolerance:
            return _Start(x, v, linearised, taken)
        if not ahead < _SHRINKS * before:
            return start
        x, v, before = x + step, v_new, ahead
        del linearised, frozen  # they are large
    return start


def _settled(problem: "_Problem", start: "_Start", tolerance: float, most_iterations: int
             ) -> Adjustment:
    """Solve for x and refresh M, B and v in turn until nothing moves.

    Where the first x is the one that the start is linearised at, nothing is left to refresh.
    """
    x, v, linearised, taken = start
    frozen = problem.freeze(x, v) if linearised is None else _Frozen.of(linearised)
    for iteration in range(taken + 1, taken + most_iterations + 1):
        x_new = problem.solve(x, v, frozen, tolerance)
        problem.forget()
        v_new = v
        if linearised is None or not np.array_equal(x_new, x):
            v_new = problem.corrected(x_new, v, frozen)
            linearised = problem.linearise(x_new, v_new)
        problem.refuse_deficient(linearised)
        sd = np.sqrt(np.diag(linearised.spectrum.covariance()))
        moved = np.abs(x_new - x) / sd
        turn_unit = problem.turn_unit(linearised)
        turned = np.abs(v_new - v) / turn_unit
        x, v, frozen = x_new, v_new, _Frozen.of(linearised)
        # A step can end for want of progress, far from the best: ask how far that still is.
        misclosure = linearised.misclosure
        ahead = np.abs(linearised.spectrum.solution(misclosure)) / sd
        turning = np.abs(problem.corrected(x, v, frozen) - v) / turn_unit
        stalled = max(_STALLED, float(np.linalg.norm(misclosure)))
        if ahead.max(initial=0.0) > max(tolerance, _ROUNDING) * stalled:
            moved = np.maximum(moved, ahead)
        furthest = max(moved.max(initial=0.0), turned.max(initial=0.0))
        if (furthest < tolerance
                or max(ahead.max(initial=0.0), turning.max(initial=0.0)) < tolerance):
            return problem.result(x, v, linearised, iteration)
        linearised = None  # it is large
    block, worst = None, ""
    if turned.max(initial=0.0) == furthest:
        block = int(np.argwhere(turned == furthest)[0, 0])
    else:
        worst = problem.free_names[int(np.argmax(moved))]
    raise NotConverged(f"after {most_iterations} iterations "
                       f"{worst or f'a reading of block {block}'} still moves by "
                       f"{furthest:.2g} of its sd", block)


class _Start(NamedTuple):
    """Free parameters and corrections to start from, and how many steps led there."""

    x: np.ndarray
    v: np.ndarray
    linearised: Linearised | None = None
    taken: int = 0


class _Frozen(NamedTuple):
    """B, the whiteners with and without what is set aside, and what was eliminated."""

    by_readings: np.ndarray
    whiteners: tuple[np.ndarray, ...]
    whole: tuple[np.ndarray, ...]
    eliminated: tuple[Eliminated, ...]

    @classmethod
    def of(cls, linearised: Linearised) -> "_Frozen":
        """Of the observations of a linearised problem, without its designs."""
        return cls(linearised.by_readings, linearised.whiteners[:-1], linearised.whole[:-1],
                   linearised.eliminated[:-1])


class _Problem:
    """One least-squares problem; knows how to freeze, solve and linearise. Not for outside use."""

    def __init__(self, model: Model, observations: Observations, prior: Prior, start: np.ndarray,
                 free: np.ndarray, names: tuple[str, ...]) -> None:
        self.model, self.observations, self.prior = model, observations, prior
        self.start, self.free, self.names = start, free, names
        self.free_names = [name for name, is_free in zip(names, free, strict=False) if is_free]
        # What is set aside hangs together with nothing.
        known = ~observations.readings_aside
        pair = known[:, :, None] & known[:, None, :] | np.eye(known.shape[1], dtype=bool)
        self.reading_covariance = observations.reading_covariance * pair
        n, q = len(observations.values), len(prior.values)
        self.prior_group = BlockGroup(n + np.arange(q)[None], np.zeros(0, int),
                                      prior.covariance[None])
        self.prior_whole = whiteners_of(prior.covariance[None])
        aside = np.zeros(q, bool) if prior.aside is None else prior.aside
        self.prior_whitener, self.prior_eliminated = eliminate(
            self.prior_whole, np.eye(q)[None], aside[None])
        self._cache: tuple[tuple[bytes, bytes], Prediction] | None = None
        self._compressed: tuple[bytes, _Frozen, Compressed | Tall] | None = None
        self._sets: Any = None

    def full(self, x: np.ndarray) -> np.ndarray:
        parameters = self.start.copy()
        parameters[self.free] = x
        return parameters

    def predict(self, x: np.ndarray, v: np.ndarray) -> Prediction:
        """Prediction at free parameters x and readings l + v, A by these; remembers the last."""
        key = (x.tobytes(), v.tobytes())
        if self._cache is None or self._cache[0] != key:
            self._cache = None  # room for the new one
            prediction = self.model(self.full(x), self.observations.readings + v)
            a, finite = prediction.by_parameters, np.isfinite(prediction.values)
            finite &= np.isfinite(a.values if isinstance(a, Bordered) else a).all(1)
            finite &= np.isfinite(prediction.by_readings).all(1)
            if not finite.all():
                raise ModelNotFinite(np.flatnonzero(~finite), self.full(x))
            prediction = replace(prediction, by_parameters=self._free(a))
            self._cache = (key, prediction)
        return self._cache[1]

    def _free(self, a: np.ndarray | Bordered) -> np.ndarray | Bordered:
        """The free columns of A."""
        if not isinstance(a, Bordered):
            return a[:, self.free]
        kept = a.only(self.free)
        if self._sets is None:
            if any(np.ptp(a.sets.of_row[group.rows], axis=1).any()
                   for group in self.observations.groups):
                raise ValueError("the observations of a block are of several sets")
            self._sets = kept.sets
        return Bordered(self._sets, kept.values)

    def freeze(self, x: np.ndarray, v: np.ndarray) -> _Frozen:
        """B and the whiteners of M = B Q B' + S at (x, v)."""
        by_readings = self.predict(x, v).by_readings
        groups, reduced, eliminated = self.observations.groups, [], []
        try:
            whole = block_whiteners(groups, by_readings, self.reading_covariance)
        except np.linalg.LinAlgError:
            raise NotConverged(
                "the parameters ran away: readings drown the observations of a block") from None
        for group, g in zip(groups, whole, strict=True):
            mask = np.concatenate([self.observations.aside[group.rows],
                                   self.observations.readings_aside[group.blocks]], axis=1)
            without, out = eliminate(
                g, block_columns(group.rows.shape[1], by_readings[group.rows]), mask)
            reduced.append(without)
            eliminated.append(out)
        return _Frozen(by_readings, tuple(reduced), tuple(whole), tuple(eliminated))

    def turn_unit(self, frozen: Linearised) -> np.ndarray:
        """What a correction's change is measured by: the reading's sd, or that of its estimate."""
        variance = np.einsum("bkk->bk", self.observations.reading_covariance).copy()
        for group, out in zip(self.observations.groups, frozen.eliminated, strict=False):
            if len(out.where):
                m, of = group.rows.shape[1], group.blocks[out.where]
                own = np.einsum("acc->ac", out.covariance)[:, m:]
                variance[of] = np.where(out.seen[:, m:], own, variance[of])
        return np.sqrt(np.where(variance > 0, variance, 1.0))

    def misclosure(self, x: np.ndarray, v: np.ndarray, by_readings: np.ndarray) -> np.ndarray:
        """w = y - f(x, l + v) + B v, shape (n,)."""
        w: np.ndarray = self.observations.values - self.predict(x, v).values
        for group in self.observations.groups:
            w[group.rows] += (by_readings[group.rows] @ v[group.blocks][..., None])[..., 0]
        return w

    def solve(self, x: np.ndarray, v: np.ndarray, frozen: _Frozen, tolerance: float) -> np.ndarray:
        """The free parameters that minimise the frozen problem, well within `tolerance` sd."""
        groups = self.observations.groups

        def residuals(x: np.ndarray) -> np.ndarray:
            w = whitened(groups, self.misclosure(x, v, frozen.by_readings), frozen.whiteners)
            h, _ = self.prior.function(self.full(x))
            w = np.concatenate([w, self.prior_whitener[0] @ (self.prior.values - h)])
            compressed = self.compressed(x, v, frozen)
            return w if compressed is None else residual(compressed, w)

        def jacobian(x: np.ndarray) -> np.ndarray:
            compressed = self.compressed(x, v, frozen)
            if compressed is None:
                return -np.vstack(self.design(x, v, frozen.whiteners))
            return -np.vstack([compressed.triangle, np.zeros(len(x))])

        if not len(x):
            return x
        solution = least_squares(
            residuals, x, jacobian, method="lm", x_scale="jac",
            gtol=max(1e-4 * tolerance, 1e-15), ftol=max(1e-3 * tolerance**2, 1e-15), xtol=1e-15,
            max_nfev=2000,
        )
        if solution.status <= 0:
            raise NotConverged(f"the least-squares step did not end: {solution.message}")
        found: np.ndarray = solution.x
        return found

    def design(self, x: np.ndarray, v: np.ndarray, whiteners: tuple[np.ndarray, ...]
               ) -> tuple[Any, np.ndarray]:
        """Whitened A and whitened H, free columns."""
        _, h = self.prior.function(self.full(x))
        a = self.predict(x, v).by_parameters
        return (whitened(self.observations.groups, a, whiteners),
                self.prior_whitener[0] @ h[:, self.free])

    def compressed(self, x: np.ndarray, v: np.ndarray, frozen: _Frozen) -> Compressed | Tall | None:
        """The design of many rows, compressed or reduced; remembers the last. None: a small one."""
        a = self.predict(x, v).by_parameters
        if not isinstance(a, Bordered) and len(a) < MANY:
            return None
        key = x.tobytes()
        last = self._compressed
        if last is None or last[0] != key or last[1] is not frozen:
            last = self._compressed = None  # room for the new one
            compressed = reduced(*self.design(x, v, frozen.whiteners))
            last = self._compressed = (key, frozen, compressed)
        return last[2]

    def forget(self) -> None:
        """Let go of the design that was compressed last."""
        self._compressed = None

    def corrected(self, x: np.ndarray, v: np.ndarray, frozen: _Frozen) -> np.ndarray:
        """The corrections at free parameters x."""
        return self.corrections(self.misclosure(x, v, frozen.by_readings), v, frozen)

    def corrections(self, w: np.ndarray, v: np.ndarray, frozen: _Frozen) -> np.ndarray:
        """v = Q B' W w, or what the block says of a reading that is aside; shape (n_blocks, k)."""
        corrections = np.zeros_like(v)
        for group, g, whole, out in zip(self.observations.groups, frozen.whiteners, frozen.whole,
                                        frozen.eliminated, strict=True):
            weighted = g.transpose(0, 2, 1) @ (g @ w[group.rows][..., None])
            q = self.reading_covariance[group.blocks]
            b = frozen.by_readings[group.rows]
            corrections[group.blocks] = (q @ b.transpose(0, 2, 1) @ weighted)[..., 0]
            if len(out.where):
                m, of = group.rows.shape[1], group.blocks[out.where]
                whitened = whole[out.where] @ w[group.rows[out.where]][..., None]
                errors = (out.estimator @ whitened)[:, m:, 0]
                aside = self.observations.readings_aside[of]
                corrections[of] = np.where(aside, errors, corrections[of])
        return corrections

    def linearise(self, x: np.ndarray, v: np.ndarray) -> Linearised:
        frozen, groups = self.freeze(x, v), (*self.observations.groups, self.prior_group)
        whiteners = (*frozen.whiteners, self.prior_whitener)
        h, by_parameters = self.prior.function(self.full(x))
        raw = np.append(self.misclosure(x, v, frozen.by_readings), self.prior.values - h)
        by_free = self.predict(x, v).by_parameters
        return Linearised(
            groups=groups,
            whiteners=whiteners,
            whole=(*frozen.whole, self.prior_whole),
            eliminated=(*frozen.eliminated, self.prior_eliminated),
            a=by_free,
            by_readings=frozen.by_readings,
            raw=raw,
            whitened=whitened(self.observations.groups, by_free, frozen.whiteners),
            misclosure=whitened(groups, raw, whiteners),
            prior_by_parameters=by_parameters[:, self.free],
        )

    def pretended(self, x: np.ndarray, v: np.ndarray, linearised: Linearised, steps: np.ndarray
                  ) -> np.ndarray:
        """How much of the information along steps (columns, one sd each) reading noise pretends.

        The design at noisy readings differs from the true one by what their noise adds; squared
        and summed, that is taken for information that is not there. Shape (len(steps.T),).
        """
        sd = np.sqrt(np.einsum("bkk->bk", self.observations.reading_covariance))
        here = np.asarray(self.predict(x, v).by_parameters)
        pretended = np.zeros(steps.shape[1])
        for j in range(v.shape[1]):
            noise = np.zeros_like(v)
            noise[:, j] = sd[:, j]
            there = np.asarray(self.predict(x, v + noise).by_parameters)
            change = whitened(self.observations.groups, there - here,
                              linearised.whiteners[:-1]) @ steps
            pretended += np.einsum("ni,ni->i", change, change)
        return pretended

    def refuse_deficient(self, linearised: Linearised) -> None:
        """Say so if there are directions that nothing determines."""
        if linearised.spectrum.deficient:
            raise NotDetermined(linearised.spectrum.null_directions(self.free_names))

    def refuse_drowned(self, x: np.ndarray, v: np.ndarray) -> None:
        """Say so if the readings' noise drowns some direction: then the iteration runs away."""
        try:
            linearised = self.linearise(x, v)
            spectrum = linearised.spectrum
            if spectrum.deficient:
                return
            steps = spectrum.scale[:, None] * spectrum.right / spectrum.singular
            drowned = self.pretended(x, v, linearised, steps) > _PRETENDED
        except (NotConverged, ModelNotFinite):
            return
        if drowned.any():
            raise NotDetermined(spectrum.directions(spectrum.right[:, drowned], self.free_names),
                                True)

    def result(self, x: np.ndarray, v: np.ndarray, linearised: Linearised, iterations: int
               ) -> Adjustment:
        covariance = np.zeros((len(self.free), len(self.free)))
        covariance[np.ix_(self.free, self.free)] = linearised.spectrum.covariance()
        return Adjustment(
            observations=self.observations,
            prior=self.prior,
            names=self.names,
            parameters=self.full(x),
            covariance=covariance,
            free=self.free,
            residuals=self.observations.values - self.predict(x, v).values,
            corrections=v,
            prior_residuals=linearised.raw[len(self.observations.values):],
            linearised=linearised,
            iterations=iterations,
        )


def readjust(model: Model, adjustment: Adjustment, **changes: Any) -> Adjustment:
    """A solved problem solved again from where it ended, but for what of `adjust` is given."""
    how = {"observations": adjustment.observations, "start": adjustment.parameters,
           "names": adjustment.names, "prior": adjustment.prior, "held": ~adjustment.free,
           "corrections": adjustment.corrections}
    return adjust(model, **{**how, **changes})
