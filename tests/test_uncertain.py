"""Correlated numbers are checked before they are believed."""

import numpy as np
import pytest

from calib.calibration import solve
from calib.edge import edge_positions
from calib.simulate import simulate
from calib.uncertain import correlated_numbers, position, unknowns

GOOD = np.array([[4.0, 1.0, 0.0], [1.0, 9.0, 0.0], [0.0, 0.0, 0.0]])


def test_values_sds_and_correlations():
    """What goes in comes out; a number without variance is exact; differences know of both."""
    a, b, c = correlated_numbers([1.0, 2.0, 3.0], GOOD)
    assert [n.nominal_value for n in (a, b, c)] == [1, 2, 3]
    assert [n.std_dev for n in (a, b, c)] == pytest.approx([2, 3, 0])
    assert (a - b).std_dev == pytest.approx(np.sqrt(4 + 9 - 2))
    assert (a + c).std_dev == pytest.approx(2)
    assert correlated_numbers([], np.zeros((0, 0))) == []
    exact, = correlated_numbers([5.0], [[0.0]])
    assert exact.std_dev == 0


@pytest.mark.parametrize(("values", "covariance", "words"), [
    ([1.0, 2.0], GOOD, "shape"),
    ([1.0, np.nan, 2.0], GOOD, "finite"),
    ([1.0, 2.0, 3.0], np.where(np.eye(3) > 0, np.nan, GOOD), "finite"),
    ([1.0, 2.0, 3.0], -GOOD, "a variance is negative"),
    ([1.0, 2.0, 3.0], GOOD + np.triu(np.full((3, 3), 1e-3), 1) * (GOOD != 0), "not symmetric"),
    ([1.0, 2.0, 3.0], GOOD + 1e-3 * (GOOD == 0) * (1 - np.eye(3)), "without variance"),
    ([1.0, 2.0, 3.0], GOOD * [[1, 6.1, 1], [6.1, 1, 1], [1, 1, 1]], "positive semi-definite"),
])
def test_what_is_refused(values, covariance, words):
    """Each with its reason: uncertainties itself would take some of these without a word."""
    with pytest.raises(ValueError, match=words):
        correlated_numbers(values, covariance)


def test_full_correlation_is_no_fault():
    """Two numbers that are one: the difference is exact."""
    a, b = correlated_numbers([1.0, 2.0], [[4.0, 4.0], [4.0, 4.0]])
    assert (b - a).std_dev == pytest.approx(0, abs=1e-6)


def test_a_position_has_the_covariance_of_the_edge(rig):
    """Forward, left and up of a corner at readings, correlated as J C J' says."""
    solution = solve(simulate(rig, np.random.default_rng(2), poses=14)[0])
    readings = np.radians([0, 0, 30, -40, 5, 10, 60])
    forward, left, up = position(solution, "edge_left", readings)
    index = np.array([rig.target_names.index("edge_left")])
    points, _ = edge_positions(rig, solution.parameters, readings[None], index, True)
    place, by = points.position, points.by_parameters
    covariance = by[0, 0] @ solution.covariance @ by[0, 0].T
    assert [n.nominal_value for n in (forward, left, up)] == pytest.approx(place[0, 0].tolist())
    assert (forward + 2 * left - up).std_dev == pytest.approx(
        np.sqrt([1, 2, -1] @ covariance @ [1, 2, -1]), rel=1e-6)
    numbers = unknowns(solution)
    assert set(numbers) == set(solution.adjustment.names)
    assert numbers["boom_length"].std_dev == pytest.approx(
        solution.adjustment.sd[solution.adjustment.names.index("boom_length")])
