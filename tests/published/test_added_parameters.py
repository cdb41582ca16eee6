"""Tests of added parameters: a certified F statistic, and printed limits of tests made together.

F: National Institute of Standards and Technology, *Statistical Reference Datasets*, linear
regression, Longley (J. W. Longley, J. American Statistical Association 62 (1967) 819-841), the
analysis of variance: residual sum of squares 836424.055505915 with 9 degrees of freedom, F
statistic 330.285339234588 of six regressors together. A-posteriori: nothing is known of the sd but
what is left over. The data are those that statsmodels ships; certified values from memory, and the
data give them.

Together: C. W. Dunnett, "New tables for multiple comparisons with a control", Biometrics 20 (1964)
482-491, two-sided, 5 %, known sd, for 1 to 9 treatments with as many observations as the control:
any two differences correlate by 0.5 (from memory).
"""

import numpy as np
import pytest
from scipy.stats import f, norm
from statsmodels.datasets import longley

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.adjust.score import DRAWS, Family, Scores

RESIDUAL_SQUARES, F_STATISTIC = 836424.055505915, 330.285339234588
DUNNETT = [1.96, 2.21, 2.35, 2.44, 2.51, 2.57, 2.61, 2.65, 2.69]


def fitted(design, values):
    """A linear problem solved, every sd 1."""
    n = len(values)
    model = lambda b, readings: Prediction(design @ b, design, np.zeros((n, 0)))
    observations = Observations.build(values, np.arange(n), [np.eye(1)] * n)
    return adjust(model, observations, np.zeros(design.shape[1]))


def test_longley():
    """The regressors added to a constant, none of them estimated: the certified F."""
    data = longley.load_pandas()
    values = data.endog.to_numpy()
    # Each from its mean and in its own spread, as the constant takes that up.
    columns = data.exog.to_numpy()
    columns = (columns - columns.mean(0)) / columns.std(0)
    scores = Scores.of(fitted(np.ones((16, 1)), values), columns)
    score = scores.test(range(6))
    assert score.dof == 6
    left = scores.chi2 - score.statistic
    assert left == pytest.approx(RESIDUAL_SQUARES, rel=1e-8)
    assert score.statistic / 6 / (left / 9) == pytest.approx(F_STATISTIC, rel=1e-8)
    chance = scores.taken_off(score.statistic, 6, stated=False)
    assert chance == pytest.approx(f.sf(F_STATISTIC, 6, 9), rel=1e-6)


@pytest.mark.parametrize("treatments", range(1, 10))
def test_dunnett(treatments):
    """The least of so many chances is as small as at the printed limit in 5 of 100 draws."""
    n = treatments + 2
    columns = np.vstack([np.eye(treatments), np.ones(treatments), np.zeros(treatments)])
    scores = Scores.of(fitted(np.eye(n)[:, [n - 1]], np.zeros(n)), columns)
    family = Family(scores, tuple((i,) for i in range(treatments)))
    limit = DUNNETT[treatments - 1]
    # The last printed digit may be off by half a unit, the draws by three of their sds.
    low, high = (family.chance(2 * norm.sf(limit + half)) for half in (0.005, -0.005))
    spread = 3 * np.sqrt(0.05 * 0.95 / DRAWS)
    assert low - spread < 0.05 < high + spread
