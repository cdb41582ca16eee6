"""Correlated w of thirteen GNSS baselines with full covariances.

Data: C. D. Ghilani, *Adjustment Computations*, 5th ed., Wiley 2010, Sec. 17.8, as tabulated by
F. Krumm, *Geodetic Network Adjustment Examples*, University of Stuttgart, Rev. 3.5, 2020. The
coordinates and standard deviations are published; the largest w was computed once by an
independent dense-matrix program with the correlated form of Baarda and Teunissen.
"""

import numpy as np
import pytest

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.adjust.reliability import GroupTests, reliability


def total_redundancy(checks):
    """Sum of all redundancy numbers: the degrees of freedom."""
    return sum(family.sum() for family in (
        checks.observations.redundancy, checks.readings.redundancy, checks.priors.redundancy))

FIXED = {"A": (402.35087, -4652995.30109, 4349760.77753),
         "B": (8086.03178, -4642712.84739, 4360439.08326)}

# from to dX dY dZ | var X, cov XY, cov XZ, var Y, cov YZ, var Z (m2)
BASELINES = """
A C 11644.2232 3601.2165 3399.2550 9.884e-4 -9.580e-6 9.520e-6 9.377e-4 -9.520e-6 9.827e-4
A E -5321.7164 3634.0754 3173.6652 2.158e-4 -2.100e-6 2.160e-6 1.919e-4 -2.100e-6 2.005e-4
B C 3960.5442 -6681.2467 -7279.0148 2.305e-4 -2.230e-6 2.070e-6 2.546e-4 -2.230e-6 2.252e-4
B D -11167.6076 -394.5204 -907.9593 2.700e-4 -2.750e-6 2.850e-6 2.721e-4 -2.720e-6 2.670e-4
D C 15128.1647 -6286.7054 -6371.0583 1.461e-4 -1.430e-6 1.340e-6 1.614e-4 -1.440e-6 1.308e-4
D E -1837.7459 -6253.8534 -6596.6697 1.231e-4 -1.190e-6 1.220e-6 1.277e-4 -1.210e-6 1.283e-4
F A -1116.4523 -4596.1610 -4355.9062 7.475e-5 -7.900e-7 8.800e-7 6.593e-5 -8.100e-7 7.616e-5
F C 10527.7852 -994.9377 -956.6246 2.567e-4 -2.250e-6 2.400e-6 2.163e-4 -2.270e-6 2.397e-4
F E -6438.1364 -962.0694 -1182.2305 9.442e-5 -9.200e-7 1.040e-6 9.959e-5 -8.900e-7 8.826e-5
F D -4600.3787 5291.7785 5414.4311 9.330e-5 -9.900e-7 9.000e-7 9.875e-5 -9.900e-7 1.204e-4
F B 6567.2311 5686.2926 6322.3917 6.643e-5 -6.500e-7 6.900e-7 7.465e-5 -6.400e-7 6.048e-5
B F -6567.2310 -5686.3033 -6322.3807 5.512e-5 -6.300e-7 6.100e-7 7.472e-5 -6.300e-7 6.629e-5
A F 1116.4577 4596.1553 4355.9141 6.619e-5 -8.000e-7 9.000e-7 8.108e-5 -8.200e-7 9.376e-5
"""

PUBLISHED = {"C": (12046.5808, -4649394.0826, 4353160.0644),
             "D": (-3081.5831, -4643107.3692, 4359531.1233),
             "E": (-4919.3391, -4649361.2199, 4352934.4548),
             "F": (1518.8012, -4648399.1453, 4354116.6914)}
PUBLISHED_SD_CM = [.608, .612, .597, .494, .506, .514, .523, .526, .517, .267, .282, .280]


@pytest.fixture(scope="module")
def solved():
    """The adjusted network."""
    points = list(PUBLISHED)
    rows = [line.split() for line in BASELINES.strip().splitlines()]
    design, known = np.zeros((39, 12)), np.zeros(39)
    covariances, values = [], []
    for i, (start, end, *numbers) in enumerate(rows):
        x = [float(number) for number in numbers]
        values += x[:3]
        covariances.append(np.array([[x[3], x[4], x[5]], [x[4], x[6], x[7]], [x[5], x[7], x[8]]]))
        for name, sign in ((start, -1.0), (end, 1.0)):
            if name in FIXED:
                known[3 * i : 3 * i + 3] += sign * np.array(FIXED[name])
            else:
                column = 3 * points.index(name)
                design[3 * i : 3 * i + 3, column : column + 3] = sign * np.eye(3)
    observations = Observations.build(values, np.repeat(np.arange(13), 3), covariances)
    return adjust(lambda x, _: Prediction(known + design @ x, design, np.zeros((39, 0))),
                  observations, np.zeros(12))


def test_published_coordinates_and_sds(solved):
    """The network itself comes out as published (sds a posteriori)."""
    np.testing.assert_allclose(solved.parameters.reshape(4, 3), list(PUBLISHED.values()),
                               rtol=0, atol=6e-5)
    assert solved.variance_factor == pytest.approx(0.50054, abs=6e-6)
    sd_cm = 100 * solved.sd * np.sqrt(solved.variance_factor)
    np.testing.assert_allclose(sd_cm, PUBLISHED_SD_CM, rtol=0, atol=6e-4)


def test_correlated_w(solved):
    """The largest correlated w is 2.079; v over its own sd is a different number."""
    got = reliability(solved)
    assert np.abs(got.observations.w).max() == pytest.approx(2.079, abs=6e-4)
    worst = int(np.argmax(np.abs(got.observations.w)))
    left = solved.linearised.spectrum.left[3 * (worst // 3) : 3 * (worst // 3) + 3]
    root = np.linalg.inv(solved.linearised.whiteners[0][worst // 3])
    q_vv = root @ (np.eye(3) - left @ left.T) @ root.T
    uncorrelated = solved.residuals[worst] / np.sqrt(q_vv[worst % 3, worst % 3])
    assert abs(got.observations.w[worst] - uncorrelated) > 1e-3
    assert total_redundancy(got) == pytest.approx(27.0, abs=1e-9)


def test_a_baseline_as_a_vector_does_not_depend_on_the_axes(solved):
    """The 3-vector test of a baseline is at least its largest squared w and has 3 dof."""
    got = reliability(solved)
    for baseline in range(13):
        rows = range(3 * baseline, 3 * baseline + 3)
        test = GroupTests.of(solved).test(rows)
        assert test.dof == 3
        assert test.statistic >= (got.observations.w[list(rows)] ** 2).max()
