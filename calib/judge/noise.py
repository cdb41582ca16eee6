"""How noisy shots and readings really were, against what was stated."""

from dataclasses import dataclass

import numpy as np

from calib.adjust.mixed_model import ModelNotFinite, NotConverged
from calib.adjust.spectrum import NotDetermined
from calib.adjust.variance_components import (
    Component,
    NoComponents,
    VarianceComponents,
    variance_components,
)
from calib.calibration import Solution

HORIZONTAL, VERTICAL = "horizontal shots", "vertical shots"


@dataclass(frozen=True)
class Noise:
    """One kind of value: how many times its stated sd its scatter shows.

    Attributes
    ----------
    name : str
        "horizontal shots", "vertical shots" or a reading.
    times, low95, high95 : float
        Estimated over stated sd and its interval; NaN if there is too little redundancy.
    sd : float
        Of `times`.
    redundancy : float
    """

    name: str
    times: float
    sd: float
    low95: float
    high95: float
    redundancy: float

    @property
    def differs(self) -> bool:
        """Whether the stated sd lies outside the interval."""
        return self.low95 > 1.0 or self.high95 < 1.0

    @property
    def says(self) -> str:
        """In words."""
        what = self.name if self.name in (HORIZONTAL, VERTICAL) else f"the reading {self.name}"
        are = "are" if self.name in (HORIZONTAL, VERTICAL) else "is"
        what = what[0].upper() + what[1:]
        if not np.isfinite(self.times):
            return f"{what}: too little redundancy to say."
        interval = f"(95 %: {self.low95:.2g} to {self.high95:.2g} times)"
        if not self.differs:
            return f"{what} {are} as noisy as stated {interval}."
        if self.times > 1:
            return f"{what} {are} {self.times:.1f} times noisier than stated {interval}."
        return f"{what} {are} {1 / self.times:.1f} times less noisy than stated {interval}."


def noise(solution: Solution) -> tuple[Noise, ...]:
    """Variance components of horizontal and vertical shots and of every reading.

    Gross errors make a kind look noisy: set suspects aside first.

    Raises
    ------
    NoComponents
        If the data do not separate the kinds.
    """
    problem, n = solution.problem, len(solution.adjustment.residuals)
    up = np.arange(2, n, 3)
    components = [Component(HORIZONTAL, rows=np.setdiff1d(np.arange(n), up)),
                  Component(VERTICAL, rows=up)]
    components += [Component(name, reading=j)
                   for j, name in enumerate(solution.rig.reading_names)]
    try:
        found = variance_components(
            problem, problem.observations, solution.adjustment.parameters, components,
            names=problem.names, prior=problem.prior, held=problem.held,
        )
    except (NotConverged, NotDetermined, ModelNotFinite) as error:
        raise NoComponents(str(error)) from error
    return _as_sds(found)


def _as_sds(found: VarianceComponents) -> tuple[Noise, ...]:
    times = np.sqrt(found.factor)
    return tuple(
        Noise(label, float(t), float(s), float(low), float(high), float(r))
        for label, t, s, low, high, r in zip(
            found.labels, times, found.sd / (2 * times), np.sqrt(found.low95),
            np.sqrt(found.high95), found.redundancy, strict=True,
        )
    )
