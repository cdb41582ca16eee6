"""Adjusted heights of published levelling networks and their standard deviations.

Sources, as transcribed by F. Krumm, *Geodetic Network Adjustment Examples*, University of
Stuttgart, Rev. 3.5, 2020: C. D. Ghilani, *Adjustment Computations*, 5th ed., Wiley 2010, Ex. 12.6,
p. 218; W. Niemeier, *Ausgleichungsrechnung*, 2nd ed., de Gruyter 2008, pp. 153-156; Krumm's
dynamic network (two heights known beforehand with a covariance) and his network with fixed height
(two lines that nothing checks). Published standard deviations are a posteriori: scaled with the
root of the variance factor. The covariance of Ghilani's network is that printed by GNU Gama 2.24.
"""

import numpy as np
import pytest

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from tests.adjust.priors import prior_on


def levelled(lines, points, fixed=(), prior=None):
    """Adjust lines ``(start, end, difference, sd)``, m, for the heights of `points`."""
    heights = dict(fixed)
    design, known = np.zeros((len(lines), len(points))), np.zeros(len(lines))
    for row, (start, end, *_) in enumerate(lines):
        for name, sign in ((end, 1.0), (start, -1.0)):
            if name in heights:
                known[row] += sign * heights[name]
            else:
                design[row, points.index(name)] = sign
    return adjust(
        lambda x, _: Prediction(known + design @ x, design, np.zeros((len(lines), 0))),
        Observations.build([line[2] for line in lines], range(len(lines)),
                           [[[line[3] ** 2]] for line in lines]),
        np.zeros(len(points)), names=points, prior=prior,
    )


def posterior_mm(solved):
    """Standard deviations scaled with the variance factor, mm."""
    return 1e3 * solved.sd * np.sqrt(solved.variance_factor)


def by_root_km(lines, sd_km):
    """Lines with a length in km instead of an sd: sd = sd_km * sqrt(length)."""
    return [(start, end, dh, sd_km * np.sqrt(km)) for start, end, dh, km in lines]


@pytest.fixture(scope="module")
def ghilani():
    """Six lines, one fixed height."""
    return levelled(
        [("A", "B", 10.509, 6e-3), ("B", "C", 5.360, 4e-3), ("C", "D", -8.523, 5e-3),
         ("D", "A", -7.348, 3e-3), ("B", "D", -3.167, 4e-3), ("A", "C", 15.881, 12e-3)],
        ["B", "C", "D"], {"A": 437.596})


def test_ghilani_12_6(ghilani):
    """Heights and sds as published; sds as stated are half as large again."""
    assert ghilani.parameters == pytest.approx([448.1087, 453.4685, 444.9436], abs=6e-5)
    assert posterior_mm(ghilani) == pytest.approx([2.30, 2.64, 1.76], abs=6e-3)
    assert 1e3 * ghilani.sd == pytest.approx([3.525, 4.048, 2.704], abs=6e-4)
    assert ghilani.dof == 3
    # Corrections there are computed - measured.
    assert -1e3 * ghilani.residuals == pytest.approx(
        [3.712, -0.244, -1.862, 0.395, 1.894, -8.532], abs=6e-4)


def test_ghilani_12_6_covariance(ghilani):
    """The whole posterior covariance, mm2, as another program prints it."""
    printed = [[5.2685829, 3.8345390, 2.2595641], [3.8345390, 6.9499562, 2.4233615],
               [2.2595641, 2.4233615, 3.1000174]]
    np.testing.assert_allclose(
        1e6 * ghilani.variance_factor * ghilani.covariance, printed, rtol=0, atol=6e-8)


def test_niemeier():
    """Nine lines that do not fit each other: posterior sds are 3.4 times those stated."""
    lines = [
        ("1", "2", -8.206, .62111801242236), ("1", "3", -5.734, 1.20481927710843),
        ("2", "3", 2.481, .45045045045045), ("2", "4", -4.433, .8), ("3", "4", -6.909, 1),
        ("3", "5", -18.872, 1.0989010989011), ("3", "6", 4.035, .440528634361233),
        ("4", "5", -11.962, .719424460431655), ("5", "6", 22.904, .833333333333333)]
    solved = levelled(by_root_km(lines, 1e-3), ["1", "2", "3", "4", "5"], {"6": 67.228})
    assert solved.parameters == pytest.approx(
        [68.9235, 60.7153, 63.1938, 56.2838, 44.3226], abs=6e-5)
    assert posterior_mm(solved) == pytest.approx([3.12, 2.60, 1.97, 2.63, 2.30], abs=6e-3)
    assert solved.dof == 4
    assert np.sqrt(solved.variance_factor) == pytest.approx(3.394, abs=6e-4)


def test_krumm_two_heights_known_with_a_covariance():
    """A prior with a full covariance: its dof count, its correlation stays in the result."""
    lines = [("2", "8", 5.128, .7), ("3", "6", 2.183, .5), ("3", "7", 12.254, .5),
             ("6", "7", 10.071, .8), ("8", "7", 2.824, .8)]
    covariance = np.array([[.0025, -.0015], [-.0015, .0036]])
    points = ["2", "3", "6", "7", "8"]
    prior = prior_on(["2", "3"], [0, 1], [107.7541, 103.4535], covariance=covariance)
    solved = levelled(by_root_km(lines, 1.0), points, prior=prior)
    assert solved.parameters == pytest.approx(
        [107.7541, 103.4535, 105.6364, 115.7072, 112.8826], abs=6e-5)
    assert posterior_mm(solved) == pytest.approx([0.04, 0.04, 0.43, 0.39, 0.48], abs=6e-3)
    # The lines are 1 m a root km, the prior 5 cm: it hardly changes.
    np.testing.assert_allclose(solved.covariance[:2, :2], covariance, rtol=0.02)


def test_krumm_prior_is_not_taken_as_two_separate_ones():
    """Leaving the covariance out is another adjustment: the test above can tell."""
    lines = [("2", "8", 5.128, .7), ("3", "6", 2.183, .5), ("3", "7", 12.254, .5),
             ("6", "7", 10.071, .8), ("8", "7", 2.824, .8)]
    prior = prior_on(["2", "3"], [0, 1], [107.7541, 103.4535], sd=[.05, .06])
    solved = levelled(by_root_km(lines, 1.0), ["2", "3", "6", "7", "8"], prior=prior)
    assert abs(solved.covariance[0, 1]) < 1e-4


def test_krumm_lines_that_nothing_checks():
    """Two lines to points of their own: residual zero, heights and sds as published."""
    lines = [("1", "2", 14.301, .9), ("1", "3", 9.995, .8), ("1", "4", 7.006, 1.0),
             ("1", "5", 17.500, 1.5), ("3", "2", 4.299, .5)]
    solved = levelled(by_root_km(lines, 5e-3), ["1", "2", "3", "4"], {"5": 110.956})
    assert solved.parameters == pytest.approx([93.4560, 107.7541, 103.4535, 100.4620], abs=6e-5)
    assert posterior_mm(solved) == pytest.approx([5.78, 6.73, 6.69, 7.46], abs=6e-3)
    assert solved.dof == 1
    np.testing.assert_allclose(solved.residuals[[2, 3]], 0.0, rtol=0, atol=1e-12)
