"""The three examples of the ODRPACK user's guide: explicit, implicit and multi-response.

Source: P. T. Boggs, R. H. Byrd, J. E. Rogers and R. B. Schnabel, *User's Reference Guide for
ODRPACK Version 2.01, Software for Weighted Orthogonal Distance Regression*, NISTIR 92-4834, 1992,
pp. 39 (explicit), 49 (implicit) and 56 (multi-response). Data, estimates, standard deviations and
covariances transcribed from the tests of scipy.odr (scipy/odr/tests/test_odr.py), which cite these
pages.

Convention: ``sd_beta`` of ODRPACK is a-posteriori, scaled by the residual standard deviation;
``cov_beta`` is not scaled, so that sd_beta = sqrt(diag(cov_beta) S / dof). The engine's a-priori
covariance is ``cov_beta``, its sds times the root of its variance factor are ``sd_beta``, with the
weights as one over the variances. ODRPACK counts the responses of one abscissa as one observation:
21 with weight less 5 parameters in the multi-response example, where the engine counts 42 less 5.

The printed runs stopped at ODRPACK's customary tolerances, a few units in the seventh digit from
the minimum; odrpack 0.7.0 with partol = sstol = 1e-14 gives the `SETTLED` values, which the engine
must meet to 5e-9.
"""

import numpy as np

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction

#: Estimates of odrpack 0.7.0 run to the minimum.
SETTLED = {
    "explicit": [1.264654810503e3, -54.01838681341, -0.08784985181767],
    "implicit": [-0.999380162283, -2.931049289047, 0.087573069526, 0.016229955878, 0.079753829165],
}

#: An abscissa that ODRPACK holds at its value is a reading with next to no variance.
FIXED = 1e-16


def scaled_sd(solved, dof):
    """Sds in the convention of ``sd_beta``."""
    return solved.sd * np.sqrt(solved.chi2 / dof)


def complex_steps(function, at):
    """Derivatives of an analytic function by complex steps, one column per argument."""
    columns = []
    for i in range(len(at)):
        stepped = np.array(at, complex)
        stepped[i] += 1e-30j
        columns.append(np.imag(function(stepped)) / 1e-30)
    return np.stack(columns, axis=-1)


def test_explicit():
    """y = b1 + b2 (exp(b3 x) - 1)^2; three of the abscissae are exact."""
    x = np.array([0, 0, 5, 7, 7.5, 10, 16, 26, 30, 34, 34.5, 100.0])
    y = np.array([1265, 1263.6, 1258, 1254, 1253, 1249.8, 1237, 1218, 1220.6, 1213.8, 1215.5,
                  1212.0])
    exact = np.isin(np.arange(12), [0, 1, 11])

    def model(parameters, readings):
        b, at = parameters, readings[:, 0]
        grown = np.exp(b[2] * at)
        rise = 2 * b[1] * (grown - 1) * grown
        return Prediction(
            b[0] + b[1] * (grown - 1) ** 2,
            np.column_stack([np.ones(12), (grown - 1) ** 2, rise * at]), (rise * b[2])[:, None])

    observations = Observations.build(
        y, range(12), np.ones((12, 1, 1)), x[:, None],
        np.where(exact, FIXED, 1.0)[:, None, None])
    solved = adjust(model, observations, [1500.0, -50.0, -0.1], tolerance=1e-9)
    assert solved.dof == 9
    np.testing.assert_allclose(
        solved.parameters, [1.2646548050648876e3, -5.4018409956678255e1, -8.7849712165253724e-2],
        rtol=2e-6)
    np.testing.assert_allclose(solved.parameters, SETTLED["explicit"], rtol=5e-9)
    np.testing.assert_allclose(
        scaled_sd(solved, 9), [1.0349270280543437, 1.583997785262061, 0.0063321988657267],
        rtol=5e-6)
    np.testing.assert_allclose(
        solved.covariance,
        [[4.4949592379003039e-1, -3.7421976890364739e-1, -8.0978217468468912e-4],
         [-3.7421976890364739e-1, 1.0529686462751804, -1.9453521827942002e-3],
         [-8.0978217468468912e-4, -1.9453521827942002e-3, 1.6827336938454476e-5]], rtol=1e-5)


def test_implicit():
    """An ellipse through 20 points: the observation is 1 without error, both coordinates err."""
    points = np.array([
        [0.5, 1.2, 1.6, 1.86, 2.12, 2.36, 2.44, 2.36, 2.06, 1.74, 1.34, 0.9, -0.28, -0.78, -1.36,
         -1.9, -2.5, -2.88, -3.18, -3.44],
        [-0.12, -0.6, -1, -1.4, -2.54, -3.36, -4, -4.75, -5.25, -5.64, -5.97, -6.32, -6.44, -6.44,
         -6.41, -6.25, -5.88, -5.5, -5.24, -4.86]]).T

    def model(parameters, readings):
        b, (dx, dy) = parameters, (readings - parameters[:2]).T
        by_x, by_y = 2 * (b[2] * dx + b[3] * dy), 2 * (b[3] * dx + b[4] * dy)
        return Prediction(
            b[2] * dx**2 + 2 * b[3] * dx * dy + b[4] * dy**2,
            np.column_stack([-by_x, -by_y, dx**2, 2 * dx * dy, dy**2]),
            np.column_stack([by_x, by_y]))

    observations = Observations.build(
        np.ones(20), range(20), np.full((20, 1, 1), FIXED), points, np.tile(np.eye(2), (20, 1, 1)))
    solved = adjust(model, observations, [-1.0, -3.0, 0.09, 0.02, 0.08], tolerance=1e-8)
    assert solved.dof == 15
    np.testing.assert_allclose(
        solved.parameters,
        [-0.9993809167281279, -2.9310484652026476, 0.0875730502693354, 0.0162299708984738,
         0.0797537982976416], rtol=2e-6)
    np.testing.assert_allclose(solved.parameters, SETTLED["implicit"], rtol=5e-9)
    np.testing.assert_allclose(
        scaled_sd(solved, 15),
        [0.1113840353364371, 0.1097673310686467, 0.0041060738314314, 0.0027500347539902,
         0.0034962501532468], rtol=2e-5)
    np.testing.assert_allclose(
        solved.covariance[:2, :2],
        [[2.1089274602333052, -1.9437686411979040], [-1.9437686411979040, 2.0481509222414456]],
        rtol=5e-5)


def test_multi_response():
    """A complex dielectric constant: two responses per frequency, correlated by their weights."""
    x = np.array([30, 50, 70, 100, 150, 200, 300, 500, 700, 1000, 1500, 2000, 3000, 5000, 7000,
                  10000, 15000, 20000, 30000, 50000, 70000, 100000, 150000.0])
    y = np.array([
        [4.22, 4.167, 4.132, 4.038, 4.019, 3.956, 3.884, 3.784, 3.713, 3.633, 3.54, 3.433, 3.358,
         3.258, 3.193, 3.128, 3.059, 2.984, 2.934, 2.876, 2.838, 2.798, 2.759],
        [0.136, 0.167, 0.188, 0.212, 0.236, 0.257, 0.276, 0.297, 0.309, 0.311, 0.314, 0.311, 0.305,
         0.289, 0.277, 0.255, 0.24, 0.218, 0.202, 0.182, 0.168, 0.153, 0.139]]).T
    weighted = ~np.isin(x, [100.0, 150.0])
    x, y = x[weighted], y[weighted]
    covariance = np.linalg.inv([[559.6, -1634.0], [-1634.0, 8397.0]])
    variance = np.where(x < 100.0, FIXED, 1.0) * x**2 / 1e-4

    def response(arguments):
        """Both responses from b and x, also for complex arguments, shape (2,)."""
        *b, at = arguments
        theta = np.pi * b[3] / 2
        omega = (2 * np.pi * at * np.exp(-b[2])) ** b[3]
        real, imaginary = 1 + omega * np.cos(theta), omega * np.sin(theta)
        phi = np.arctan(imaginary / real)
        r = (b[0] - b[1]) * (real**2 + imaginary**2) ** (-b[4] / 2)
        return np.array([b[1] + r * np.cos(b[4] * phi), r * np.sin(b[4] * phi)])

    def model(parameters, readings):
        rows = [np.append(parameters, at) for at in readings[:, 0]]
        rates = np.concatenate([complex_steps(response, row) for row in rows])
        return Prediction(np.concatenate([response(row) for row in rows]), rates[:, :5],
                          rates[:, 5:])

    n = len(x)
    observations = Observations.build(
        y.ravel(), np.repeat(range(n), 2), [covariance] * n, x[:, None], variance[:, None, None])
    solved = adjust(model, observations, [4.0, 2.0, 7.0, 0.4, 0.5], tolerance=1e-8)
    np.testing.assert_allclose(
        solved.parameters,
        [4.3799880305938963, 2.4333057577497703, 8.0028845899503978, 0.5101147161764654,
         0.5173902330489161], rtol=1e-6)
    assert solved.dof == 37
    np.testing.assert_allclose(
        scaled_sd(solved, 16),
        [0.0130625231081944, 0.0130499785273277, 0.1167085962217757, 0.0132642749596149,
         0.0288529201353984], rtol=1e-5)
    np.testing.assert_allclose(
        solved.covariance,
        [[0.0064918418231375, 0.0036159705923791, 0.0438637051470406, -0.0058700836512467,
          0.011281212888768],
         [0.0036159705923791, 0.0064793789429006, 0.0517610978353126, -0.0051181304940204,
          0.0130726943624117],
         [0.0438637051470406, 0.0517610978353126, 0.5182263323095322, -0.0563083340093696,
          0.1269490939468611],
         [-0.0058700836512467, -0.0051181304940204, -0.0563083340093696, 0.0066939246261263,
          -0.0140184391377962],
         [0.011281212888768, 0.0130726943624117, 0.1269490939468611, -0.0140184391377962,
          0.0316733013820852]], rtol=1e-5)
