"""How noisy shots and readings really were, against what was stated."""

from dataclasses import dataclass

import numpy as np

from calib.adjust.distributions import TIMES_SD
from calib.adjust.variance_components import Component, variance_components
from calib.calibration import Solution

HORIZONTAL, VERTICAL = "horizontal shots", "vertical shots"


@dataclass(frozen=True)
class Noise:
    """One kind of value, or a group that cannot be told apart: how noisy against what is stated."""

    #: "horizontal shots", "vertical shots" or a reading; of a group all of these, with "or".
    name: str
    #: times, low95, high95: Estimated over stated sd and its interval; NaN if there is too little
    #: redundancy, and of a group.
    times: float
    sd: float  #: Of `times`: a quarter of the interval's width, nearly.
    low95: float
    high95: float
    redundancy: float
    #: Whether the stated sd is surely wrong, with one error rate for all kinds of the run.
    differs: bool
    noisier: bool  #: Whether it looks noisier than stated, and not less noisy.
    kinds: tuple[str, ...] = ()  #: The kinds of a group; empty for a single kind.


def noise(solution: Solution) -> tuple[Noise, ...]:
    """Variance components of horizontal and vertical shots and of every reading.

    A group that cannot be told apart follows the kinds. Gross errors make a kind look noisy: set
    suspects aside first.
    """
    n = len(solution.adjustment.residuals)
    up = np.arange(2, n, 3)
    components = [Component(HORIZONTAL, rows=np.setdiff1d(np.arange(n), up)),
                  Component(VERTICAL, rows=up)]
    components += [Component(name, reading=j)
                   for j, name in enumerate(solution.rig.reading_names)]
    found = variance_components(solution.problem.model, solution.adjustment, components)
    times, low, high = np.sqrt([found.factor, found.low95, found.high95])
    kinds = tuple(
        Noise(label, float(t), float(b - a) / (2 * TIMES_SD), float(a), float(b), float(r), bool(d),
              bool(t > 1))
        for label, t, a, b, r, d in zip(
            found.labels, times, low, high, found.redundancy, found.differs, strict=True)
    )
    if not found.group:
        return kinds
    names = tuple(found.labels[k] for k in found.group)
    noisier = bool(np.median(found.alone[list(found.group)]) > 1)
    redundancy = float(found.redundancy[list(found.group)].sum())
    name = " or ".join([*names, "several kinds"])
    return (*kinds, Noise(name, *(np.nan,) * 4, redundancy, True, noisier, names))
