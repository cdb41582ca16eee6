"""Redundancy numbers, w, tau and detectable biases of published levelling networks.

Data: C. D. Ghilani, *Adjustment Computations*, 5th ed., Wiley 2010, Ex. 12.6; W. Niemeier,
*Ausgleichungsrechnung*, 2nd ed., de Gruyter 2008, pp. 153-156; a network with prior covariances
and a network with unchecked lines of F. Krumm, *Geodetic Network Adjustment Examples*, University
of Stuttgart, Rev. 3.5, 2020 (as transcribed in the test data of GNU Gama 2.24); B. Siki,
*Adjustment of a levelling network*, OSGeoLab tutorials 2012-2014. Ghilani's tau are those printed
by GNU Gama, Siki's v, t and r those printed in the tutorial; the other w, r and detectable biases
were computed once from the published data by an independent dense-matrix program. Corrections are
computed - measured in these sources, so their w and tau have the opposite sign of ours.
"""

import numpy as np
import pytest

from calib.adjust.critical import ALPHA, delta0, pope_tau
from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.adjust.reliability import pope_taus, reliability
from tests.adjust.priors import prior_on


def total_redundancy(checks):
    """Sum of all redundancy numbers: the degrees of freedom."""
    return sum(family.sum() for family in (
        checks.observations.redundancy, checks.readings.redundancy, checks.priors.redundancy))


def levelled(lines, fixed, prior=None):
    """Adjust height differences ``(start, end, difference, sd)``, m; `fixed` maps name to height.

    `prior` is (names, heights, covariance) of heights known beforehand.
    """
    points = sorted({p for a, b, *_ in lines for p in (a, b)} - set(fixed))
    design = np.zeros((len(lines), len(points)))
    known = np.zeros(len(lines))
    for i, (start, end, *_) in enumerate(lines):
        for name, sign in ((start, -1.0), (end, 1.0)):
            if name in fixed:
                known[i] += sign * fixed[name]
            else:
                design[i, points.index(name)] = sign
    values = [line[2] for line in lines]
    covariances = [np.array([[line[3] ** 2]]) for line in lines]
    observations = Observations.build(values, range(len(lines)), covariances)
    if prior is not None:
        names, heights, covariance = prior
        prior = prior_on(names, [points.index(n) for n in names], heights,
                                    covariance=covariance)
    return points, adjust(
        lambda x, _: Prediction(known + design @ x, design, np.zeros((len(lines), 0))),
        observations, np.zeros(len(points)), names=points, prior=prior,
    )


GHILANI = [("A", "B", 10.509, 6e-3), ("B", "C", 5.360, 4e-3), ("C", "D", -8.523, 5e-3),
           ("D", "A", -7.348, 3e-3), ("B", "D", -3.167, 4e-3), ("A", "C", 15.881, 12e-3)]

NIEMEIER = [(a, b, dh, 1e-3 * np.sqrt(km)) for a, b, dh, km in [
    ("1", "2", -8.206, .62111801242236), ("1", "3", -5.734, 1.20481927710843),
    ("2", "3", 2.481, .45045045045045), ("2", "4", -4.433, .8), ("3", "4", -6.909, 1),
    ("3", "5", -18.872, 1.0989010989011), ("3", "6", 4.035, .440528634361233),
    ("4", "5", -11.962, .719424460431655), ("5", "6", 22.904, .833333333333333)]]

SIKI = [(a, b, dh, 0.7e-3 * km) for a, b, dh, km in [
    ("1", "2", -.749, 1.1), ("1", "3", -1.274, 1.8), ("1", "4", -2.890, 1.4),
    ("2", "3", -.530, 1.5), ("2", "4", -2.141, 1.9), ("3", "4", -1.614, .9)]]


def test_ghilani_12_6():
    """Heights, redundancy numbers, w, tau and detectable biases of a six-line network."""
    points, solved = levelled(GHILANI, {"A": 437.596})
    got = reliability(solved)
    assert dict(zip(points, solved.parameters, strict=True)) == pytest.approx(
        {"B": 448.1087, "C": 453.4685, "D": 444.9436}, abs=6e-5)
    assert solved.variance_factor == pytest.approx(0.42404, abs=6e-6)
    assert got.observations.redundancy == pytest.approx(
        [.6549, .3294, .5092, .1877, .4326, .8862], abs=6e-5)
    assert -got.observations.w == pytest.approx([.764, -.106, -.522, .304, .720, -.755], abs=6e-4)
    tau = pope_taus(got.observations.w, solved)
    assert np.abs(tau) == pytest.approx([1.174, .163, .802, .466, 1.105, 1.160], abs=6e-4)
    assert 1e3 * got.observations.mdb == pytest.approx(
        [30.64, 28.80, 28.95, 28.61, 25.13, 52.67], abs=6e-3)
    assert total_redundancy(got) == pytest.approx(3.0)


def test_niemeier_fails_the_global_test():
    """A network with a gross error: Baarda flags three lines, Pope's tau only one."""
    points, solved = levelled(NIEMEIER, {"6": 67.228})
    got = reliability(solved)
    assert dict(zip(points, solved.parameters, strict=True)) == pytest.approx(
        {"1": 68.9235, "2": 60.7153, "3": 63.1938, "4": 56.2838, "5": 44.3226}, abs=6e-5)
    assert solved.variance_factor == pytest.approx(11.52043, abs=6e-6)
    assert got.observations.redundancy == pytest.approx(
        [.2869, .5566, .3656, .4629, .6190, .6346, .2368, .3896, .4480], abs=6e-5)
    assert -got.observations.w == pytest.approx(
        [-5.246, 5.246, -6.134, 2.577, -1.198, .945, -2.367, 1.383, 2.367], abs=6e-4)
    tau = pope_taus(got.observations.w, solved)
    assert -tau == pytest.approx(
        [-1.546, 1.546, -1.807, .759, -.353, .278, -.697, .407, .697], abs=6e-4)
    assert np.flatnonzero(np.abs(got.observations.w) > 3.29).tolist() == [0, 1, 2]
    assert np.flatnonzero(np.abs(tau) > pope_tau(4, 0.05)).tolist() == [2]


def test_krumm_prior_with_covariance():
    """Two heights known beforehand with a covariance: the priors have redundancy too."""
    root = [np.sqrt(m / 1000) for m in (700, 500, 500, 800, 800)]
    lines = [("2", "8", 5.128, root[0]), ("3", "6", 2.183, root[1]), ("3", "7", 12.254, root[2]),
             ("6", "7", 10.071, root[3]), ("8", "7", 2.824, root[4])]
    covariance = np.array([[.0025, -.0015], [-.0015, .0036]])
    points, solved = levelled(lines, {}, (["2", "3"], [107.7541, 103.4535], covariance))
    got = reliability(solved)
    heights = dict(zip(points, solved.parameters, strict=True))
    assert heights == pytest.approx(
        {"2": 107.7541, "3": 103.4535, "6": 105.63639, "7": 115.70723, "8": 112.88263}, abs=6e-5)
    assert dict(zip(points, solved.sd, strict=True)) == pytest.approx(
        {"2": .04991, "3": .05988, "6": .59466, "7": .54130, "8": .66143}, abs=6e-6)
    assert np.sqrt(solved.variance_factor) == pytest.approx(7.238819e-4, rel=1e-5)
    assert solved.dof == 2
    assert total_redundancy(got) == pytest.approx(2.0, abs=1e-9)
    assert (got.priors.redundancy > 0).all()
    assert (got.priors.redundancy < 0.01).all()


def test_krumm_lines_that_nothing_checks():
    """Lines 1-4 and 1-5 have redundancy zero: said so, never divided by."""
    lines = [(a, b, dh, 5e-3 * np.sqrt(m / 1000)) for a, b, dh, m in [
        ("1", "2", 14.301, 900), ("1", "3", 9.995, 800), ("1", "4", 7.006, 1000),
        ("1", "5", 17.500, 1500), ("3", "2", 4.299, 500)]]
    _, solved = levelled(lines, {"5": 110.956})
    got = reliability(solved)
    assert solved.parameters == pytest.approx([93.4560, 107.7541, 103.4535, 100.4620], abs=6e-5)
    assert got.observations.redundancy == pytest.approx([.4091, .3636, 0, 0, .2273], abs=6e-5)
    assert got.observations.checked.tolist() == [True, True, False, False, True]
    assert np.isnan(got.observations.w[2:4]).all()
    assert np.isinf(got.observations.mdb[2:4]).all()
    assert np.abs(got.observations.w[[0, 1, 4]]) == pytest.approx(0.944, abs=6e-4)
    assert np.abs(pope_taus(got.observations.w, solved)[[0, 1, 4]]) == pytest.approx(1.0)


def test_siki_printed_v_t_r():
    """The tutorial prints corrections, normalised residuals and redundancy numbers."""
    _, solved = levelled(SIKI, {"4": 101.345})
    got = reliability(solved)
    assert solved.parameters == pytest.approx([104.2350, 103.4868, 102.9588], abs=6e-5)
    # The tutorial's correction is computed - measured, in mm; its t is |w|.
    assert -1e3 * solved.residuals == pytest.approx([.81, -2.18, .00, 2.01, -.81, .18], abs=6e-3)
    assert np.abs(got.observations.w) == pytest.approx([1.9, 2.1, 0, 2.6, .7, .6], abs=0.06)
    assert got.observations.redundancy == pytest.approx(
        [.3140, .6865, .5112, .5466, .7073, .2344], abs=6e-5)
    assert np.sqrt(solved.variance_factor) == pytest.approx(1.654998, abs=6e-7)


def test_detectable_bias_follows_from_redundancy():
    """For uncorrelated lines the detectable bias is delta0 sd / sqrt(r)."""
    _, solved = levelled(NIEMEIER, {"6": 67.228})
    got = reliability(solved)
    sd = np.array([line[3] for line in NIEMEIER])
    expected = delta0(ALPHA) * sd / np.sqrt(got.observations.redundancy)
    assert got.observations.mdb == pytest.approx(expected)
