"""Yield of dyestuff from six batches: one-way random effects by REML.

O. L. Davies and P. L. Goldsmith (eds), "Statistical Methods in Research and Production", 4th ed.,
Oliver and Boyd 1972, table 6.3 (data), and G. E. P. Box and G. C. Tiao, "Bayesian Inference in
Statistical Analysis", Addison-Wesley 1973, section 5.1.2 (the simulated data without any variance
between batches); D. M. Bates, "lme4: Mixed-effects modeling with R", chapter 1 (REML variances:
between 1764.05, within 2451.25, mean 1527.5; of the second set between 0, mean 5.6656). Data and
values from memory, then computed anew by statsmodels' MixedLM.
"""

import numpy as np
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM

from tests.published.one_way import random_intercepts

DYESTUFF = np.array([
    [1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495], [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545], [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445],
])
SIMULATED = np.array([
    [7.298, 3.846, 2.434, 9.566, 7.990], [5.220, 6.556, 0.608, 11.788, -0.892],
    [0.110, 10.386, 13.434, 5.510, 8.166], [2.212, 4.852, 7.092, 9.288, 4.980],
    [0.282, 9.014, 4.458, 9.446, 7.198], [1.722, 4.782, 8.106, 0.758, 3.758],
])
BATCH = np.repeat(np.arange(6), 5)


@pytest.mark.parametrize("stated", [(50.0, 40.0), (0.05, 40.0), (50.0, 0.04), (1e5, 1e5)])
def test_printed_values_from_any_stated_sds(stated):
    got = random_intercepts(DYESTUFF.ravel(), BATCH, stated=stated)
    assert got.factor * np.square(stated) == pytest.approx([2451.25, 1764.05], rel=2e-6)
    assert got.adjustment.parameters == pytest.approx([1527.5], abs=1e-5)


def test_computed_anew():
    other = MixedLM(DYESTUFF.ravel().astype(float), np.ones(30), BATCH).fit(reml=True)
    got = random_intercepts(DYESTUFF.ravel(), BATCH, stated=(10.0, 10.0))
    assert 100 * got.factor == pytest.approx([other.scale, other.cov_re[0, 0]], rel=1e-3)
    assert got.adjustment.parameters == pytest.approx(other.fe_params, abs=1e-5)


def test_no_variance_between_batches_is_a_result():
    """The estimate is 0, at the boundary; what is left is the plain variance of the values."""
    got = random_intercepts(SIMULATED.ravel(), BATCH, stated=(1.0, 3.0))
    assert got.factor[1] == got.low95[1] == 0.0
    assert got.factor[0] == pytest.approx(SIMULATED.var(ddof=1), rel=2e-6)
    assert got.adjustment.parameters == pytest.approx([5.6656], abs=1e-4)
    assert 0 < got.high95[1] < 10
