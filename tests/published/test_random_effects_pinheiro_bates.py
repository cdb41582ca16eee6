"""Rail and stool data: variance components by REML with printed values.

J. C. Pinheiro and D. M. Bates, "Mixed-Effects Models in S and S-PLUS", Springer 2000, sections 1.1
(rails: travel times of an ultrasonic wave; REML sd between 24.80547, within 4.020779, mean 66.5)
and 1.2 (stools: effort to rise, nine subjects, four types; REML sds 1.332465 and 1.100295; effort
of the first type 8.555556, the others 3.888889, 2.222222 and 0.666667 more). Data and values from
memory, then computed anew by statsmodels' MixedLM. The sds are a-posteriori by nature.
"""

import numpy as np
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM

from tests.published.one_way import random_intercepts

RAIL = np.array([[55, 53, 54], [26, 37, 32], [78, 91, 85], [92, 100, 96], [49, 51, 50],
                 [80, 85, 83]])
STOOLS = np.array([[12, 15, 12, 10], [10, 14, 13, 12], [7, 14, 13, 9], [7, 11, 10, 9],
                   [8, 11, 8, 7], [9, 11, 11, 10], [8, 12, 12, 11], [7, 11, 8, 7], [9, 13, 10, 8]])

#: Within and between: right by luck, all too small, all too large, and each way round.
FAR_OFF = [(4.0, 25.0), (0.01, 0.01), (1000.0, 1000.0), (400.0, 0.25), (0.04, 2500.0)]


def stool_design():
    design = np.zeros((36, 4))
    design[:, 0] = 1.0
    for kind in range(1, 4):
        design[kind::4, kind] = 1.0
    return design


@pytest.mark.parametrize("stated", FAR_OFF)
def test_rails(stated):
    got = random_intercepts(RAIL.ravel(), np.repeat(np.arange(6), 3), stated=stated)
    assert np.sqrt(got.factor) * stated == pytest.approx([4.020779, 24.80547], rel=2e-6)
    assert got.adjustment.parameters == pytest.approx([66.5], abs=1e-5)


@pytest.mark.parametrize("stated", FAR_OFF)
def test_stools(stated):
    got = random_intercepts(STOOLS.ravel(), np.repeat(np.arange(9), 4), stool_design(), stated)
    assert np.sqrt(got.factor) * stated == pytest.approx([1.100295, 1.332465], rel=2e-6)
    assert got.adjustment.parameters == pytest.approx(
        [8.555556, 3.888889, 2.222222, 0.666667], abs=2e-6)


@pytest.mark.parametrize("values, design", [(RAIL, np.ones((18, 1))), (STOOLS, stool_design())])
def test_computed_anew(values, design):
    group = np.repeat(np.arange(len(values)), values.shape[1])
    other = MixedLM(values.ravel().astype(float), design, group).fit(reml=True)
    got = random_intercepts(values.ravel(), group, design)
    assert got.factor == pytest.approx([other.scale, other.cov_re[0, 0]], rel=1e-3)
