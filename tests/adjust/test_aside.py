"""What is set aside is an unknown: as if it had been dropped, or been one more parameter."""

from dataclasses import replace

import numpy as np
import pytest

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.adjust.reliability import GroupTests, reliability
from calib.adjust.unknown_errors import ReadingLinks, error_test
from tests.adjust.priors import prior_on


def total_redundancy(checks):
    """Sum of all redundancy numbers: the degrees of freedom."""
    return sum(family.sum() for family in (
        checks.observations.redundancy, checks.readings.redundancy, checks.priors.redundancy))

SD, BLOCK = 0.02, np.repeat(np.arange(8), 3)


def observed(seed, linear=False):
    """Eight blocks of three observations through two readings each; three parameters."""
    rng = np.random.default_rng(seed)
    truth = rng.uniform(-1, 1, (8, 2))
    slope = rng.uniform(0.5, 2, (len(BLOCK), 2))
    bend = 0.0 if linear else 0.3

    def model(x, readings):
        r = readings[BLOCK]
        a = np.column_stack([np.ones(len(BLOCK)), slope[:, 0], slope[:, 1] ** 2])
        values = a @ x + np.sum(slope * r, axis=1) + bend * x[1] * r[:, 0] * r[:, 1]
        a[:, 1] += bend * r[:, 0] * r[:, 1]
        b = slope + bend * x[1] * r[:, ::-1]
        return Prediction(values, a, b)

    x = np.array([1.0, 0.5, -0.3])
    readings = truth + SD * rng.normal(size=truth.shape)
    y = model(x, truth).values + SD * rng.normal(size=len(BLOCK))
    covariance = SD**2 * (np.eye(3) + 0.3)
    observations = Observations.build(y, BLOCK, [covariance] * 8, readings,
                                      np.tile(SD**2 * np.eye(2), (8, 1, 1)))
    return model, observations, x


def aside(observations, rows=(), readings=()):
    mask, of_reading = observations.aside.copy(), observations.readings_aside.copy()
    mask[list(rows)] = True
    for block, j in readings:
        of_reading[block, j] = True
    return replace(observations, aside=mask, readings_aside=of_reading)


TIGHT = {"tolerance": 1e-9}


def test_observations_set_aside_are_as_dropped():
    """Rows 4, 9, 10 and 11 aside (of one block all): estimates, covariance, chi2, dof, sums."""
    model, observations, x = observed(1)
    gone = [4, 9, 10, 11]
    with_unknowns = adjust(model, aside(observations, gone), x, **TIGHT)
    kept = np.setdiff1d(np.arange(len(BLOCK)), gone)
    sizes = np.bincount(BLOCK[kept], minlength=8)
    fewer = Observations.build(
        observations.values[kept], BLOCK[kept],
        [(SD**2 * (np.eye(3) + 0.3))[:m, :m] for m in sizes], observations.readings,
        observations.reading_covariance)

    def rest(x, readings):
        whole = model(x, readings)
        return Prediction(whole.values[kept], whole.by_parameters[kept], whole.by_readings[kept])

    dropped = adjust(rest, fewer, x, **TIGHT)
    np.testing.assert_allclose(with_unknowns.parameters, dropped.parameters, atol=1e-9)
    np.testing.assert_allclose(with_unknowns.covariance, dropped.covariance, rtol=1e-6)
    np.testing.assert_allclose(with_unknowns.corrections, dropped.corrections, atol=1e-9)
    assert with_unknowns.chi2 == pytest.approx(dropped.chi2, rel=1e-7)
    assert with_unknowns.dof == dropped.dof
    checks = reliability(with_unknowns)
    assert total_redundancy(checks) == pytest.approx(dropped.dof, abs=1e-6)
    assert not checks.observations.checked[gone].any()
    assert checks.observations.checked[kept].all()


def as_parameters(model, observations, readings):
    """The same with each reading set aside as a parameter of its own, and next to no error."""
    covariance = observations.reading_covariance.copy()
    for block, j in readings:
        covariance[block, j, j] = 1e-12 * SD**2

    def extended(x, at):
        at, first = at.copy(), len(x) - len(readings)
        for n, (block, j) in enumerate(readings):
            at[block, j] += x[first + n]
        whole = model(x[:first], at)
        more = np.zeros((len(BLOCK), len(readings)))
        for n, (block, j) in enumerate(readings):
            of = block == BLOCK
            more[of, n] = whole.by_readings[of, j]
        return Prediction(whole.values, np.hstack([whole.by_parameters, more]), whole.by_readings)

    return extended, replace(observations, reading_covariance=covariance)


@pytest.mark.parametrize("readings", [((2, 1),), ((2, 1), (5, 0), (5, 1))])
def test_a_reading_set_aside_is_as_one_more_parameter(readings):
    """Estimates, their covariance with the reading's, chi2 and dof: all as with a parameter."""
    model, observations, x = observed(2)
    reduced = adjust(model, aside(observations, readings=readings), x, **TIGHT)
    extended, tight = as_parameters(model, observations, readings)
    full = adjust(extended, tight, np.append(x, np.zeros(len(readings))), **TIGHT)
    np.testing.assert_allclose(reduced.parameters, full.parameters[:3], atol=1e-8)
    np.testing.assert_allclose(reduced.covariance, full.covariance[:3, :3], rtol=1e-5)
    assert (reduced.dof, reduced.chi2) == (full.dof, pytest.approx(full.chi2, rel=1e-6))
    links = ReadingLinks.of(reduced)
    for n, (block, j) in enumerate(readings):
        link = links.by_parameters[block, j]
        assert links.determined[block, j] and not links.known[block, j]
        assert reduced.corrections[block, j] == pytest.approx(full.parameters[3 + n], abs=1e-8)
        variance = links.own[block, j, j] + link @ reduced.covariance @ link
        assert variance == pytest.approx(full.covariance[3 + n, 3 + n], rel=1e-4)
        np.testing.assert_allclose(-link @ reduced.covariance, full.covariance[3 + n, :3],
                                   rtol=1e-4, atol=1e-9)


def test_a_prior_value_set_aside_is_as_dropped():
    """Of two correlated prior values one is aside: as with the prior of the other alone."""
    model, observations, x = observed(3)
    both = prior_on(["a", "b"], [0, 1], [1.3, 0.5],
                               covariance=1e-4 * np.array([[1, 0.5], [0.5, 1]]))
    one = prior_on(["b"], [1], [0.5], sd=[0.01])
    reduced = adjust(model, observations, x, prior=replace(both, aside=np.array([True, False])),
                     **TIGHT)
    alone = adjust(model, observations, x, prior=one, **TIGHT)
    np.testing.assert_allclose(reduced.parameters, alone.parameters, atol=1e-9)
    np.testing.assert_allclose(reduced.covariance, alone.covariance, rtol=1e-6)
    assert (reduced.dof, reduced.chi2) == (alone.dof, pytest.approx(alone.chi2, rel=1e-7))


@pytest.mark.parametrize("value", [
    {"rows": (7,)}, {"rows": (3, 4, 5)}, {"block": 2, "readings": (1,)}, {"rows": (24,)},
])
def test_the_test_of_what_is_aside_is_that_of_what_takes_part(value):
    """In a linear model both tests of a value are the same number, and so is its bias."""
    model, observations, x = observed(4, linear=True)
    prior = prior_on(["a", "b"], [0, 1], [1.1, 0.4], sd=[0.05, 0.05])
    taking_part = GroupTests.of(adjust(model, observations, x, prior=prior, **TIGHT)).test(**value)
    readings = [(value.get("block"), j) for j in value.get("readings", ())]
    n, rows = len(observations.values), np.array(value.get("rows", ()), int)  # then the prior
    gone = replace(prior, aside=np.isin([n, n + 1], rows))
    rest = adjust(model, aside(observations, rows[rows < n], readings), x, prior=gone,
                  **TIGHT)
    test, shift = error_test(rest, **value)
    assert test.dof == taking_part.dof
    assert test.statistic == pytest.approx(taking_part.statistic, rel=1e-5)
    np.testing.assert_allclose(test.bias, taking_part.bias, rtol=1e-5)
    with_it = adjust(model, observations, x, prior=prior, **TIGHT)
    np.testing.assert_allclose(shift, with_it.parameters - rest.parameters, atol=1e-7)


def test_a_reading_that_nothing_else_sees_is_not_determined():
    """All observations of its block are aside: the reading has no estimate, and no test."""
    model, observations, x = observed(5)
    solved = adjust(model, aside(observations, (6, 7, 8), [(2, 0)]), x)
    assert not ReadingLinks.of(solved).determined[2, 0]
    assert error_test(solved, block=2, readings=(0,)).test.dof == 0
    assert error_test(solved, rows=(1,)).test.dof == 0  # not aside at all
    assert solved.dof == adjust(model, aside(observations, (6, 7, 8)), x).dof
