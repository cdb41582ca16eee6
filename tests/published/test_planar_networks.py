"""Planar networks of distances: nonlinear, with published coordinates and standard deviations.

Sources, the first and third as transcribed by F. Krumm, *Geodetic Network Adjustment Examples*,
University of Stuttgart, Rev. 3.5, 2020: G. Strang and K. Borre, *Linear Algebra, Geodesy, and GPS*,
Wellesley-Cambridge 1997, Ex. 12.4; N. Benning, *Statistik in Geodaesie, Geoinformation und
Bauwesen*, Wichmann 2011 (title from memory), Ex. 8-2, as in the test data of GNU Gama;
C. D. Ghilani, *Adjustment Computations*, 5th ed., Wiley 2010, Ex. 14.5. Standard deviations there
are a posteriori.
"""

import numpy as np
import pytest

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction


class Trilateration:
    """Distances ``(from, to, length, sd)`` between fixed points and points with a start."""

    def __init__(self, fixed, start, distances):
        self.names = [*start, *fixed]
        self.fixed = np.array(list(fixed.values()))
        self.start = np.array(list(start.values()))
        self.ends = np.array([[self.names.index(a), self.names.index(b)]
                              for a, b, *_ in distances])
        self.values = [d[2] for d in distances]
        self.covariances = [[[d[3] ** 2]] for d in distances]

    def __call__(self, parameters, readings):
        place = np.vstack([parameters.reshape(-1, 2), self.fixed])
        rows = np.arange(len(self.ends))
        arm = place[self.ends[:, 1]] - place[self.ends[:, 0]]
        length = np.hypot(*arm.T)
        design = np.zeros((len(rows), len(place), 2))
        design[rows, self.ends[:, 1]] = arm / length[:, None]
        design[rows, self.ends[:, 0]] -= arm / length[:, None]
        design = design.reshape(len(rows), -1)[:, : len(parameters)]
        return Prediction(length, design, np.zeros((len(rows), 0)))

    def solve(self, scatter=0.0):
        """Adjusted from the start, moved by up to `scatter` metres."""
        moved = self.start + np.random.default_rng(0).uniform(-scatter, scatter, self.start.shape)
        observations = Observations.build(self.values, range(len(self.values)), self.covariances)
        return adjust(self, observations, moved.ravel(), tolerance=1e-6)


def posterior_cm(solved):
    """Standard deviations scaled with the variance factor, cm, x and y of each point."""
    return 100 * solved.sd * np.sqrt(solved.variance_factor)


@pytest.fixture(scope="module")
def strang_borre():
    """Three distances to one point."""
    return Trilateration(
        {"1": (170.71, 270.71), "2": (100.0, 100.0), "3": (241.42, 100.0)},
        {"P": (170.71, 170.71)},
        [("1", "P", 100.01, 0.01), ("2", "P", 100.02, 0.01), ("3", "P", 100.03, 0.01)])


@pytest.mark.parametrize("scatter", [0.0, 30.0])
def test_strang_and_borre_12_4(strang_borre, scatter):
    """One point from three distances, from near and from 30 m away."""
    solved = strang_borre.solve(scatter)
    assert solved.parameters == pytest.approx([170.7029, 170.7234], abs=6e-5)
    assert posterior_cm(solved) == pytest.approx([3.303, 2.335], abs=6e-4)
    assert solved.variance_factor == pytest.approx(10.9094, abs=6e-5)
    assert solved.dof == 1


@pytest.mark.parametrize("scatter", [0.0, 100.0])
def test_benning_8_2(scatter):
    """A quadrilateral of five distances: two new points."""
    network = Trilateration(
        {"1": (0.0, 1000.0), "2": (1000.0, 1000.0)}, {"3": (0.0, 0.0), "4": (1000.0, 0.0)},
        [("1", "3", 1000.02, 0.01), ("1", "4", 1414.20, 0.01), ("2", "3", 1414.24, 0.01),
         ("2", "4", 999.98, 0.01), ("3", "4", 1000.00, 0.01)])
    solved = network.solve(scatter)
    assert solved.parameters == pytest.approx([-0.0096, -0.0226, 999.9930, 0.0174], abs=6e-5)
    assert posterior_cm(solved) == pytest.approx([0.901, 0.637, 0.901, 0.637], abs=6e-4)
    assert solved.variance_factor == pytest.approx(0.4737, abs=6e-5)


def test_ghilani_14_5():
    """Coordinates of seven digits before the point, and distances that do not fit."""
    network = Trilateration(
        {"Badger": (2410000.0, 390000.0), "Bucky": (2411820.0, 386881.222)},
        {"Wisconsin": (2415776.0, 391043.0), "Campus": (2416892.0, 387603.0)},
        [("Badger", "Wisconsin", 5870.302, 0.01), ("Badger", "Campus", 7297.588, 0.01),
         ("Wisconsin", "Campus", 3616.434, 0.01), ("Wisconsin", "Bucky", 5742.878, 0.01),
         ("Campus", "Bucky", 5123.760, 0.01)])
    solved = network.solve()
    assert solved.parameters == pytest.approx(
        [2415776.9044, 391043.2945, 2416892.6955, 387603.2551], rel=0, abs=6e-5)
    assert posterior_cm(solved) == pytest.approx([14.879, 22.061, 10.378, 27.054], abs=6e-4)
    assert solved.variance_factor == pytest.approx(184.70, abs=6e-3)
