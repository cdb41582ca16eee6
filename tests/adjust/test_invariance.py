"""What must not change a result: order, units, axes, and the size of all sds at once."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import ortho_group

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from tests.adjust.priors import prior_on

SIZES = np.array([3, 2, 3, 1, 2, 4])
BLOCK = np.repeat(np.arange(6), SIZES)
N, P, K = len(BLOCK), 3, 2

seeds = st.integers(0, 10_000)
slow_enough = settings(max_examples=25, deadline=None)


class Problem:
    """A mildly nonlinear model with correlated blocks, correlated readings and a prior."""

    def __init__(self, seed):
        rng = np.random.default_rng(seed)
        self.a, self.b = rng.normal(size=(N, P)), rng.normal(size=(N, K))
        self.bend = rng.normal(size=(N, P)) / 2
        self.readings = rng.normal(size=(6, K))
        self.y = self.predict(np.ones(P), self.readings).values + rng.normal(size=N) / 10
        self.covariances = [self.covariance_of(rng, size) / 100 for size in SIZES]
        self.reading_covariance = np.stack([self.covariance_of(rng, K) / 400 for _ in SIZES])
        self.prior = prior_on(["second"], [1], [1.1], sd=[0.3])

    @staticmethod
    def covariance_of(rng, size):
        """Any covariance of ordinary size."""
        root = rng.normal(size=(size, size)) + 2 * np.eye(size)
        return root @ root.T / 4

    def predict(self, x, readings):
        """A x + B l and a wave."""
        wave = self.bend @ x
        return Prediction(
            self.a @ x + np.einsum("nk,nk->n", self.b, readings[BLOCK]) + 0.1 * np.sin(wave),
            self.a + 0.1 * np.cos(wave)[:, None] * self.bend, self.b)

    def solve(self, model=None, observations=None, prior=None, start=None):
        """Adjusted, with what a test changes."""
        if observations is None:
            observations = Observations.build(
                self.y, BLOCK, self.covariances, self.readings, self.reading_covariance)
        return adjust(model or self.predict, observations,
                      np.ones(P) if start is None else start, prior=prior or self.prior,
                      tolerance=1e-7)


def same(one, other, scale=1.0):
    """Parameters, their covariance and chi2 agree; `scale` is other over one."""
    distance = np.abs(one.parameters * scale - other.parameters) / other.sd
    assert distance.max() < 1e-5
    expected = one.covariance * np.outer(scale * np.ones(P), scale * np.ones(P))
    np.testing.assert_allclose(other.covariance, expected, rtol=1e-5,
                               atol=1e-6 * np.outer(other.sd, other.sd).max())
    np.testing.assert_allclose(other.chi2, one.chi2, rtol=1e-6)
    assert other.dof == one.dof


@slow_enough
@given(seed=seeds)
def test_order_of_observations(seed):
    """Rows in any order, their covariances with them."""
    problem = Problem(seed)
    order = np.random.default_rng(seed).permutation(N)

    def shuffled(x, readings):
        p = problem.predict(x, readings)
        return Prediction(p.values[order], p.by_parameters[order], p.by_readings[order])

    covariances = []
    for block, covariance in enumerate(problem.covariances):
        first = np.flatnonzero(BLOCK == block)[0]
        inside = order[BLOCK[order] == block] - first
        covariances.append(covariance[np.ix_(inside, inside)])
    observations = Observations.build(problem.y[order], BLOCK[order], covariances,
                                      problem.readings, problem.reading_covariance)
    one, other = problem.solve(), problem.solve(shuffled, observations)
    same(one, other)
    np.testing.assert_allclose(other.residuals, one.residuals[order], rtol=0, atol=1e-7)
    np.testing.assert_allclose(other.corrections, one.corrections, rtol=0, atol=1e-7)


@slow_enough
@given(seed=seeds)
def test_order_of_blocks(seed):
    """Blocks numbered in any order, their readings with them."""
    problem = Problem(seed)
    number = np.random.default_rng(seed).permutation(6)  # the new number of each block
    old = np.argsort(number)
    observations = Observations.build(
        problem.y, number[BLOCK], [problem.covariances[b] for b in old],
        problem.readings[old], problem.reading_covariance[old])
    one = problem.solve()
    other = problem.solve(lambda x, readings: problem.predict(x, readings[number]), observations)
    same(one, other)
    np.testing.assert_allclose(other.corrections[number], one.corrections, rtol=0, atol=1e-7)


@slow_enough
@given(seed=seeds, powers=st.lists(st.floats(-4, 4), min_size=P, max_size=P))
def test_units_of_the_parameters(seed, powers):
    """Each parameter in a unit of its own, micrometres beside kilometres."""
    problem, unit = Problem(seed), 10.0 ** np.array(powers)

    def in_units(x, readings):
        p = problem.predict(x / unit, readings)
        return Prediction(p.values, p.by_parameters / unit, p.by_readings)

    prior = prior_on(["second"], [1], [1.1 * unit[1]], sd=[0.3 * unit[1]])
    other = problem.solve(in_units, prior=prior, start=unit)
    same(problem.solve(), other, unit)


@slow_enough
@given(seed=seeds)
def test_axes_of_a_block(seed):
    """A block seen in turned axes, its covariance turned with it."""
    problem = Problem(seed)
    turns = [ortho_group.rvs(size, random_state=seed) if size > 1 else -np.eye(1)
             for size in SIZES]
    turn = np.zeros((N, N))
    for block, part in enumerate(turns):
        rows = np.flatnonzero(BLOCK == block)
        turn[np.ix_(rows, rows)] = part

    def turned(x, readings):
        p = problem.predict(x, readings)
        return Prediction(turn @ p.values, turn @ p.by_parameters, turn @ p.by_readings)

    covariances = [t @ c @ t.T for t, c in zip(turns, problem.covariances, strict=True)]
    observations = Observations.build(turn @ problem.y, BLOCK, covariances, problem.readings,
                                      problem.reading_covariance)
    one, other = problem.solve(), problem.solve(turned, observations)
    same(one, other)
    np.testing.assert_allclose(other.residuals, turn @ one.residuals, rtol=0, atol=1e-7)


@slow_enough
@given(seed=seeds, factor=st.floats(0.3, 3.0))
def test_all_sds_at_once(seed, factor):
    """All sds longer by a factor: the same estimate, sds longer, chi2 smaller."""
    problem = Problem(seed)
    observations = Observations.build(
        problem.y, BLOCK, [factor**2 * c for c in problem.covariances], problem.readings,
        factor**2 * problem.reading_covariance)
    prior = prior_on(["second"], [1], [1.1], sd=[0.3 * factor])
    one, other = problem.solve(), problem.solve(observations=observations, prior=prior)
    assert (np.abs(other.parameters - one.parameters) / one.sd).max() < 1e-5
    np.testing.assert_allclose(other.sd, factor * one.sd, rtol=1e-6)
    np.testing.assert_allclose(other.chi2, one.chi2 / factor**2, rtol=1e-6)
    np.testing.assert_allclose(other.corrections, one.corrections, rtol=0, atol=1e-6)


@slow_enough
@given(seed=seeds)
def test_a_shift_of_the_origin(seed):
    """Observations and predictions counted from elsewhere: nothing else changes."""
    problem = Problem(seed)

    def shifted(x, readings):
        p = problem.predict(x, readings)
        return Prediction(p.values + 1000.0, p.by_parameters, p.by_readings)

    observations = Observations.build(problem.y + 1000.0, BLOCK, problem.covariances,
                                      problem.readings, problem.reading_covariance)
    same(problem.solve(), problem.solve(shifted, observations))


@slow_enough
@given(seed=seeds)
def test_a_repeated_block_is_worth_twice(seed):
    """The same observations again, errors and all: as if their variances were halved."""
    problem = Problem(seed)

    def twice(x, readings):
        p, q = problem.predict(x, readings[:6]), problem.predict(x, readings[6:])
        return Prediction(np.concatenate([p.values, q.values]),
                          np.vstack([p.by_parameters, q.by_parameters]),
                          np.vstack([p.by_readings, q.by_readings]))

    both = Observations.build(
        np.tile(problem.y, 2), np.concatenate([BLOCK, BLOCK + 6]), 2 * problem.covariances,
        np.tile(problem.readings, (2, 1)), np.tile(problem.reading_covariance, (2, 1, 1)))
    halved = Observations.build(
        problem.y, BLOCK, [c / 2 for c in problem.covariances], problem.readings,
        problem.reading_covariance / 2)
    one, other = problem.solve(observations=halved), problem.solve(twice, both)
    assert (np.abs(other.parameters - one.parameters) / one.sd).max() < 1e-5
    np.testing.assert_allclose(other.covariance, one.covariance, rtol=1e-5,
                               atol=1e-6 * one.sd.max() ** 2)
    assert other.dof == one.dof + N
