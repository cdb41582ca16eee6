"""Congruency as a Chow test: the savings function of the United States, 1970-1995.

Source: D. N. Gujarati, *Basic Econometrics*, 4th ed. 2003, section 8.8 ("Testing for structural or
parameter stability of regression models: the Chow test") with the data of table 8.9, savings and
disposable personal income in billions of dollars. Printed: residual sums of squares 1785.032
(1970-1981, 10 degrees of freedom), 10005.22 (1982-1995, 12) and 23248.30 (both together, 24),
F = 10.69 with 2 and 22 degrees of freedom. Section and table numbers, data and results from
memory; the data give all three printed sums of squares to the last digit.

Two epochs of the same two parameters, no priors: omega is what forcing one line on both epochs
adds to the sum of squares, and its F value is the Chow test (G. C. Chow, Econometrica 28 (1960)
591-605).
"""

import numpy as np
import pytest
from scipy.stats import f

from calib.adjust.congruency import Epoch, congruency

SAVINGS = np.array([
    61.0, 68.6, 63.6, 89.6, 97.6, 104.4, 96.4, 92.5, 112.6, 130.1, 161.8, 199.1, 205.5, 167.0,
    235.7, 206.2, 196.5, 168.4, 189.1, 187.8, 208.7, 246.4, 272.6, 214.4, 189.4, 249.3])
INCOME = np.array([
    727.1, 790.2, 855.3, 965.0, 1054.2, 1159.2, 1273.0, 1401.4, 1580.1, 1769.5, 1973.3, 2200.2,
    2347.3, 2522.4, 2810.0, 3002.0, 3187.6, 3363.1, 3640.8, 3894.5, 4166.8, 4343.7, 4613.7, 4790.2,
    5021.7, 5320.8])

#: The oil crisis ends the first epoch.
FIRST = slice(0, 12)
SECOND = slice(12, 26)


def epoch(years, origin):
    """What the years say about intercept and slope, counted from `origin`."""
    design = np.column_stack([np.ones(len(INCOME)), INCOME])[years]
    information = design.T @ design
    estimate = np.linalg.solve(information, design.T @ SAVINGS[years])
    residuals = SAVINGS[years] - design @ estimate
    return Epoch(information, information @ (estimate - origin), float(residuals @ residuals),
                 len(residuals) - 2)


@pytest.fixture(params=[(0.0, 0.0), (62.4, 0.0377)], ids=["origin zero", "origin elsewhere"])
def epochs(request):
    """Both epochs; where they are counted from must not matter."""
    return [epoch(years, np.array(request.param)) for years in (FIRST, SECOND)]


def test_sums_of_squares(epochs):
    """Each epoch alone, and both together, to the printed digits."""
    assert epochs[0].chi2 == pytest.approx(1785.032, abs=5.1e-4)
    assert epochs[1].chi2 == pytest.approx(10005.22, abs=5.1e-3)
    together = sum(e.chi2 for e in epochs) + congruency(*epochs).omega
    assert together == pytest.approx(23248.30, abs=5.1e-3)


def test_f_value(epochs):
    """F(2, 22) = 10.69: significant at 1 % (critical 5.72 in print)."""
    found = congruency(*epochs)
    assert (found.rank, found.dof) == (2, 22)
    assert found.statistic == pytest.approx(10.69, abs=5e-3)
    assert not found.congruent
    assert found.p_value == pytest.approx(f.sf(10.69, 2, 22), rel=5e-3)
    assert f.isf(0.01, found.rank, found.dof) == pytest.approx(5.72, abs=5e-3)


def test_within_one_epoch_nothing_moves():
    """Odd against even years of the first epoch: no structural change."""
    halves = [epoch(slice(k, 12, 2), np.zeros(2)) for k in (0, 1)]
    assert congruency(*halves).congruent
