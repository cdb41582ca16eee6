"""Data snooping finds the two blunders of a published network, and no others.

Data: C. D. Ghilani, *Adjustment Computations*, 5th ed., Wiley 2010, Ex. 21.1, p. 446, as tabulated
by F. Krumm, *Geodetic Network Adjustment Examples*, University of Stuttgart, Rev. 3.5, 2020, who
marks the distance 3-4 and the angle 103-102-1 as blunders. The values of w and of the variance
factor on the way were computed once by an independent dense-matrix program.
"""

import numpy as np
import pytest

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.adjust.reliability import pope_taus, reliability
from calib.adjust.snooping import Candidate, Stopped, snoop

POINTS = """
1 2477233.72 420353.59; 2 2477497.89 419951.98; 3 2477832.55 420210.21; 4 2477991.64 420400.58;
5 2477630.43 420567.45; 6 2477665.22 420323.32; 102 2476455.89 419741.38; 103 2476735.05 419912.42;
201 2476576.23 419589.23; 202 2476948.74 419331.29; 203 2477463.84 419819.58;
2000 2476334.60 419710.09; 2001 2476297.98 419266.82
"""
FIXED = ("2000", "2001")

# station, backsight, foresight, deg-min-sec, sd in arcsec
ANGLES = """
1 2 3 316-48-00.5 6.3; 3 2 1 51-07-11.0 7.2; 3 2 4 167-32-28.0 14.5; 3 2 5 98-09-36.5 10.3;
3 2 6 71-42-51.5 15.1; 3 203 2 8-59-56.0 6.5; 5 1 3 268-49-32.5 9.8; 5 2 3 318-20-54.5 7.0;
5 3 4 324-17-44.0 8.1; 5 6 3 338-36-38.5 10.7; 102 2000 103 162-58-16.0 28.9;
103 102 1 172-01-43.0 11.8; 201 2001 202 263-54-18.7 9.7; 202 201 203 101-49-55.0 8.1;
203 202 3 176-49-10.0 8.4; 2000 102 2001 109-10-54.0 25.5; 2001 2000 201 36-04-26.2 7.4
"""
DISTANCES = """
1 2 480.71; 1 3 615.74; 3 1 615.74; 3 2 422.70; 3 4 298.10; 3 5 410.44; 3 6 201.98; 5 1 450.67;
5 2 629.58; 5 3 410.46; 5 4 397.89; 5 6 246.61; 102 103 327.37; 103 1 665.79; 201 202 453.10;
202 203 709.78; 203 3 537.18; 2000 102 125.24; 2001 201 425.90
"""
DISTANCE_SD = 0.022


def records(text):
    return [record.split() for record in text.replace("\n", " ").split(";")]


def radians(text):
    degrees, minutes, seconds = (float(part) for part in text.split("-"))
    return np.radians(degrees + minutes / 60 + seconds / 3600)


class Network:
    """The observation equations of angles and distances in the plane."""

    def __init__(self):
        self.at = {name: np.array([float(x), float(y)]) for name, x, y in records(POINTS)}
        self.free = [name for name in self.at if name not in FIXED]
        self.angles, self.distances = records(ANGLES), records(DISTANCES)
        self.labels = [f"angle {f}-{s}-{b}" for s, b, f, *_ in self.angles]
        self.labels += [f"distance {a}-{b}" for a, b, _ in self.distances]
        # The mean of the fixed points, so that parameters are not seven digits long.
        self.centre = self.at["2000"]
        self.start = np.concatenate([self.at[name] - self.centre for name in self.free])

    def observations(self):
        values = [radians(row[3]) for row in self.angles]
        values += [float(row[2]) for row in self.distances]
        sds = [np.radians(float(row[4]) / 3600) for row in self.angles]
        sds += [DISTANCE_SD] * len(self.distances)
        return Observations.build(values, range(len(values)), [np.array([[s**2]]) for s in sds])

    def __call__(self, x, _):
        place = {name: self.at[name] - self.centre for name in FIXED}
        place |= dict(zip(self.free, x.reshape(-1, 2), strict=True))
        measured = [radians(row[3]) for row in self.angles]
        rows = [self._angle(place, row, m) for row, m in zip(self.angles, measured, strict=True)]
        rows += [self._distance(place, a, b) for a, b, _ in self.distances]
        values = np.array([value for value, _ in rows])
        return Prediction(values, np.array([d for _, d in rows]), np.zeros((len(rows), 0)))

    def _gradient(self, parts):
        gradient = np.zeros(2 * len(self.free))
        for name, d in parts:
            if name in self.free:
                i = 2 * self.free.index(name)
                gradient[i : i + 2] += d
        return gradient

    def _bearing(self, place, a, b):
        """Clockwise from the second axis, and its derivative by the far end."""
        d = place[b] - place[a]
        return np.arctan2(d[0], d[1]), np.array([d[1], -d[0]]) / (d @ d)

    def _angle(self, place, row, measured):
        station, back, fore = row[:3]
        (t_back, d_back), (t_fore, d_fore) = (
            self._bearing(place, station, p) for p in (back, fore))
        value = measured + (t_fore - t_back - measured + np.pi) % (2 * np.pi) - np.pi
        return value, self._gradient(
            [(fore, d_fore), (back, -d_back), (station, d_back - d_fore)])

    def _distance(self, place, a, b):
        d = place[b] - place[a]
        length = np.hypot(*d)
        return length, self._gradient([(b, d / length), (a, -d / length)])


@pytest.fixture(scope="module")
def snooped():
    """The network, snooped one observation at a time."""
    network = Network()
    candidates = [Candidate(label, rows=(i,)) for i, label in enumerate(network.labels)]
    return snoop(network, adjust(network, network.observations(), network.start), candidates)


def test_exactly_the_two_blunders_in_order(snooped):
    """The distance first, then the angle, then no more."""
    assert [s.candidate.label for s in snooped.suspects] == ["distance 3-4", "angle 1-103-102"]
    assert snooped.stopped is Stopped.PROVEN and not snooped.robust


def test_test_values_on_the_way(snooped):
    """|w| 1802.6, then 110.4, then 3.25; the variance factor falls to 1.316 with 12 dof."""
    assert np.sqrt(snooped.suspects[0].test.statistic) == pytest.approx(1802.6, abs=0.06)
    assert np.sqrt(snooped.suspects[1].test.statistic) == pytest.approx(110.4, abs=0.06)
    assert snooped.first.variance_factor == pytest.approx(232982, rel=1e-4)
    left = np.nanmax(np.abs(reliability(snooped.final).observations.w))  # NaN: set aside
    assert left == pytest.approx(3.25, abs=6e-3)
    assert snooped.final.variance_factor == pytest.approx(1.316, abs=6e-4)
    assert (snooped.first.dof, snooped.final.dof) == (14, 12)


def test_tau_saturates_where_w_does_not(snooped):
    """With both blunders in, the largest tau is 3.73, close under its bound sqrt(14)."""
    taus = pope_taus(reliability(snooped.first).observations.w, snooped.first)
    assert np.abs(taus).max() == pytest.approx(3.73, abs=6e-3)
    assert np.abs(taus).max() < np.sqrt(14)
