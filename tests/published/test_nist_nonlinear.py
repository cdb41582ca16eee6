"""Nonlinear regression against the certified values of the NIST Statistical Reference Datasets.

Source: NIST/ITL, Statistical Reference Datasets, Nonlinear Regression; files in ``data/nist``.
Certified standard deviations are a posteriori: a-priori sds of 1 scaled with the residual sd.
Degrees of freedom are n - p, never read from a header (that of Rat43 is wrong).
"""

import re
from pathlib import Path

import numpy as np
import pytest

from calib.adjust.mixed_model import ModelNotFinite, adjust
from calib.adjust.observations import Observations, Prediction

FOLDER = Path(__file__).parent / "data" / "nist"


def polynomial(b, x):
    """Lowest power first."""
    return sum(coefficient * x**power for power, coefficient in enumerate(b))


def peaks(b, x):
    """A decay and two Gaussian peaks."""
    return (b[0] * np.exp(-b[1] * x) + b[2] * np.exp(-(((x - b[3]) / b[4]) ** 2))
            + b[5] * np.exp(-(((x - b[6]) / b[7]) ** 2)))


def cycles(b, x):
    """A year and two periods that are unknown."""
    def wave(cosine, sine, period):
        return cosine * np.cos(2 * np.pi * x / period) + sine * np.sin(2 * np.pi * x / period)

    return b[0] + wave(b[1], b[2], 12) + wave(b[4], b[5], b[3]) + wave(b[7], b[8], b[6])


def decays(b, x):
    """Three exponentials."""
    return sum(b[i] * np.exp(-b[i + 1] * x) for i in (0, 2, 4))


def over_quadratic(b, x):
    """Exponential over a line."""
    return np.exp(-b[0] * x) / (b[1] + b[2] * x)


def cubic_over_cubic(b, x):
    """Ratio of polynomials."""
    return polynomial(b[:4], x) / polynomial([1, *b[4:]], x)


#: The model of each data set as its file states it.
MODELS = {
    "Bennett5": lambda b, x: b[0] * (b[1] + x) ** (-1 / b[2]),
    "BoxBOD": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Chwirut1": over_quadratic,
    "Chwirut2": over_quadratic,
    "DanWood": lambda b, x: b[0] * x ** b[1],
    "ENSO": cycles,
    "Eckerle4": lambda b, x: b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Gauss1": peaks,
    "Gauss2": peaks,
    "Gauss3": peaks,
    "Hahn1": cubic_over_cubic,
    "Kirby2": lambda b, x: polynomial(b[:3], x) / polynomial([1, *b[3:]], x),
    "Lanczos1": decays,
    "Lanczos2": decays,
    "Lanczos3": decays,
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    "MGH10": lambda b, x: b[0] * np.exp(b[1] / (x + b[2])),
    "MGH17": lambda b, x: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
    "Misra1a": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Misra1b": lambda b, x: b[0] * (1 - (1 + b[1] * x / 2) ** -2),
    "Misra1c": lambda b, x: b[0] * (1 - (1 + 2 * b[1] * x) ** -0.5),
    "Misra1d": lambda b, x: b[0] * b[1] * x / (1 + b[1] * x),
    "Nelson": lambda b, x: b[0] - b[1] * x[0] * np.exp(-b[2] * x[1]),
    "Rat42": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)),
    "Rat43": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
    "Roszman1": lambda b, x: b[0] - b[1] * x - np.arctan(b[2] / (x - b[3])) / np.pi,
    "Thurber": cubic_over_cubic,
}


class DataSet:
    """One file: starting values, certified values, data."""

    def __init__(self, name):
        text = (FOLDER / f"{name}.dat").read_text("ascii")
        rows = re.findall(r"^ *b\d+ = +(\S+) +(\S+) +(\S+) +(\S+) *$", text, re.M)
        self.starts = np.array(rows, float).T[:2]
        self.certified, self.sd = np.array(rows, float).T[2:]
        self.rss = float(re.search(r"Residual Sum of Squares: +(\S+)", text)[1])
        self.rsd = float(re.search(r"Residual Standard Deviation: +(\S+)", text)[1])
        numbers = text[text.rindex("Data:"):].splitlines()[1:]
        self.y, *x = np.array([line.split() for line in numbers if line.strip()], float).T
        self.x = x[0] if len(x) == 1 else np.array(x)
        if name == "Nelson":
            self.y = np.log(self.y)
        self.model = MODELS[name]

    def predict(self, b, _):
        """Values and complex-step derivatives."""
        step = 1e-30
        derivative = np.empty((len(self.y), len(b)))
        with np.errstate(over="ignore", invalid="ignore"):
            for i in range(len(b)):
                nudged = b.astype(complex)
                nudged[i] += 1j * step
                derivative[:, i] = self.model(nudged, self.x).imag / step
            return Prediction(self.model(b, self.x), derivative, np.zeros((len(self.y), 0)))

    def solve(self, start):
        """Adjusted from one of the two starts, every observation with sd 1."""
        n = len(self.y)
        observations = Observations.build(self.y, range(n), np.ones((n, 1, 1)))
        return adjust(self.predict, observations, start, tolerance=1e-8)


#: Data without error but for the rounding of 14 digits: their sum of squares is 1e-25, and what
#: double precision makes of it says nothing about a solver. Its parameters are tested.
EXACT = "Lanczos1"

#: From here the undamped way out leads through overflow: refused, never a wrong result.
LEADS_NOWHERE = {("BoxBOD", 0), ("MGH17", 0)}

CASES = [(name, start) for name in MODELS for start in (0, 1) if (name, start) not in LEADS_NOWHERE]


@pytest.mark.parametrize(("name", "start"), CASES, ids=str)
def test_certified_values_and_sds(name, start):
    """Six digits of every value, five of every standard deviation and of the sum of squares."""
    data = DataSet(name)
    solved = data.solve(data.starts[start])
    np.testing.assert_allclose(solved.parameters, data.certified, rtol=5e-7)
    if name == EXACT:
        return
    sd = solved.sd * np.sqrt(solved.chi2 / solved.dof)
    np.testing.assert_allclose(sd, data.sd, rtol=5e-6)
    assert solved.chi2 == pytest.approx(data.rss, rel=5e-6)
    assert solved.dof == len(data.y) - len(data.certified)
    assert np.sqrt(solved.variance_factor) == pytest.approx(data.rsd, rel=5e-6)


@pytest.mark.parametrize("name", [name for name in MODELS if name != EXACT])
def test_default_tolerance_is_a_share_of_the_sd(name):
    """Unasked, the engine stops within a thousandth of a standard deviation of the best values."""
    data = DataSet(name)
    n = len(data.y)
    observations = Observations.build(data.y, range(n), np.full((n, 1, 1), data.rsd**2))
    solved = adjust(data.predict, observations, data.starts[1])
    assert (np.abs(solved.parameters - data.certified) < 1e-3 * data.sd).all()
    np.testing.assert_allclose(solved.sd, data.sd, rtol=1e-3)


@pytest.mark.parametrize(("name", "start"), sorted(LEADS_NOWHERE))
def test_a_hopeless_start_is_refused(name, start):
    """No result is returned from a start that leads away."""
    data = DataSet(name)
    with pytest.raises(ModelNotFinite, match="the model is not finite for observations"):
        data.solve(data.starts[start])


def test_certified_sds_use_n_minus_p():
    """The residual sum of squares over the squared residual sd is n - p in all 27 files."""
    for name in MODELS:
        data = DataSet(name)
        assert data.rss / data.rsd**2 == pytest.approx(len(data.y) - len(data.certified), rel=1e-6)
