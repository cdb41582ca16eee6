"""Intervals of the likelihood: the same for any function of a parameter, and only where it bends.

Measurements of exp(x) with a known sd have an exact interval for exp(x), so one for x.
"""

import numpy as np
import pytest

from calib.adjust.curved import bent, likelihood_interval
from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction


def _exponential(parameters, readings):
    x, shift = parameters
    row = np.array([[np.exp(x), 0.0], [0.0, 1.0]])
    return Prediction(np.array([np.exp(x), shift]), row, np.zeros((2, 0)))


def _measured(sd):
    """exp(x) = 1 +- sd, and 3.0 +- 0.1 of the shift."""
    return Observations.build([1.0, 3.0], range(2), np.square([sd, 0.1])[:, None, None])


@pytest.mark.parametrize(("sd", "curved"), [(0.4, True), (0.01, False)])
def test_the_interval_is_that_of_what_is_measured(sd, curved):
    """Of exp(x) = 1 +- sd, x between the logarithms of its ends; the shift is not touched."""
    adjustment = adjust(_exponential, _measured(sd), np.array([0.1, 0.0]))
    marked = bent(lambda *at: _exponential(*at).values, adjustment, np.arange(2))
    assert marked.tolist() == [curved, False]
    ends = likelihood_interval(_exponential, adjustment, 0)
    exact = np.log(1 + 1.959964 * sd * np.array([-1, 1]))
    assert np.array(ends) == pytest.approx(exact, abs=0.02 * sd)


def test_an_end_that_is_nowhere_is_infinite():
    """Of exp(x) = 1 +- 0.8 no x is too small."""
    adjustment = adjust(_exponential, _measured(0.8), np.array([0.1, 0.0]))
    low, high = likelihood_interval(_exponential, adjustment, 0)
    assert low == -np.inf
    assert high == pytest.approx(np.log(1 + 1.959964 * 0.8), abs=0.02)
