"""Straight lines of ISO/TS 28037:2010, clauses 6 and 7.

Source: ISO/TS 28037:2010, *Determination and use of straight-line calibration functions*: clause 6
(uncertainties of y alone; its two examples, equal and unequal weights) and clause 7 (uncertainties
of x and y, uncorrelated). Data and results from memory, no copy was at hand; every printed result
is reproduced from the data by an independent computation to its last digit, which data recalled
wrongly would not do. Convention: standard uncertainties a-priori, from the stated ones without any
scaling; those of clause 7 at the adjusted points.
"""

import numpy as np
import pytest
from scipy.stats import chi2

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction


def line(parameters, readings):
    """y = a + b x with x as the reading of each point."""
    a, b = parameters
    x = readings[:, 0]
    return Prediction(a + b * x, np.column_stack([np.ones_like(x), x]), np.full((len(x), 1), b))


def solved(x, y, x_sd, y_sd):
    """The line through points whose x are exact (x_sd 1e-9) or not."""
    n = len(x)
    observations = Observations.build(
        y, range(n), np.square(y_sd)[:, None, None], np.array(x)[:, None],
        np.square(np.broadcast_to(x_sd, n))[:, None, None])
    return adjust(line, observations, [0.0, 1.0], names=["intercept", "slope"], tolerance=1e-9)


#: x, y, u(x), u(y); a, b, u(a), u(b), cov(a, b), observed chi-square, its 95 % quantile.
EXAMPLES = {
    "clause 6, equal weights": (
        [1, 2, 3, 4, 5, 6], [3.3, 5.6, 7.1, 9.3, 10.7, 12.1], 1e-9, [0.5] * 6,
        (1.867, 1.757, 0.465, 0.120, -0.050), 1.665, 9.488, 1e-3),
    "clause 6, unequal weights": (
        [1, 2, 3, 4, 5, 6], [3.2, 4.3, 7.6, 8.6, 11.7, 12.8], 1e-9, [0.5] * 3 + [1.0] * 3,
        (0.885, 2.057, 0.530, 0.178, -0.082), 4.131, 9.488, 1e-3),
    "clause 7": (
        [1.2, 1.9, 2.9, 4.0, 4.7, 5.9], [3.4, 4.4, 7.2, 8.5, 10.8, 13.5], 0.2,
        [0.2] * 3 + [0.4] * 3,
        (0.5788, 2.1597, 0.4764, 0.1355, -0.0577), 2.743, 9.488, 1e-4),
}


@pytest.mark.parametrize("name", EXAMPLES)
def test_line_and_uncertainties(name):
    """Intercept, slope, their uncertainties and covariance to the last printed digit."""
    x, y, x_sd, y_sd, printed, statistic, limit, digit = EXAMPLES[name]
    found = solved(x, y, x_sd, y_sd)
    np.testing.assert_allclose(
        [*found.parameters, *found.sd, found.covariance[0, 1]], printed, rtol=0,
        atol=0.5001 * digit)
    assert found.chi2 == pytest.approx(statistic, abs=5.001e-4)
    assert chi2.isf(0.05, found.dof) == pytest.approx(limit, abs=5.001e-4)
    assert found.dof == 4 and found.chi2 < limit


def test_the_engine_would_notice_ordinary_regression():
    """Clause 7 with u(x) left out is another line: the digits above tell the two apart."""
    x, y, _, y_sd, printed, *_ = EXAMPLES["clause 7"]
    plain = solved(x, y, 1e-9, y_sd)
    assert abs(plain.parameters[1] - printed[1]) > 20 * 5e-5
    assert plain.sd[0] < 0.8 * printed[2]
