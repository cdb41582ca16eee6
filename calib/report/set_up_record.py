"""The set-ups of total stations in result.json: as solved, and each by its own sights alone."""

import numpy as np

from calib.adjust.distributions import chi2_isf
from calib.adjust.mixed_model import ModelNotFinite, NotConverged
from calib.adjust.reliability import reliability
from calib.adjust.spectrum import NotDetermined
from calib.calibration import Solution
from calib.document import solved
from calib.layout import SET_UP
from calib.report.numbers import unit_factors
from calib.stations import CHANCE, CORRECTIONS, alone


def set_up_records(solution: Solution) -> list[solved.SetUp]:
    """Where each set-up of a total station is, as solved; sds of the same names under "sd"."""
    set_ups = solution.run.set_ups
    if set_ups is None:
        return []
    start = np.column_stack([set_ups.position, set_ups.orientation])
    placed = start + solution.problem.corrections(solution.adjustment.parameters)
    placed[:, 3] = np.mod(placed[:, 3], 2 * np.pi)
    layout = solution.problem.layout
    sd = layout.of(SET_UP, solution.adjustment.sd)
    factor = unit_factors(q.unit for q in layout.scope(SET_UP).quantities)
    return solved.SetUp.each(
        name=set_ups.ids, **dict(zip(CORRECTIONS, (factor * placed).T, strict=True)),
        sd=factor * sd, alone=[_alone(solution, k, factor) for k in range(len(set_ups.ids))])


def known_point_records(solution: Solution) -> list[solved.KnownPoint]:
    """The known points that have errors of their own, each once."""
    set_ups = solution.run.set_ups
    if set_ups is None:
        return []
    place = {name: known for name, known, sd in zip(
        set_ups.sight_point, set_ups.known, set_ups.known_sd, strict=True) if sd.any()}
    return [solved.KnownPoint.made(name=name, east=e, north=n, up=u)
            for name, (e, n, u) in place.items()]


def _alone(solution: Solution, which: int, factor: np.ndarray) -> solved.SetUpAlone | None:
    """By its own sights and what was known of it; `factor`, shape (4,), to m and deg."""
    set_ups = solution.run.set_ups
    assert set_ups is not None  # it is one of them
    try:
        own = alone(set_ups, which)
    except (NotDetermined, NotConverged, ModelNotFinite):
        return None
    known = np.isfinite(set_ups.sd[which])
    off, off_w = np.full((2, len(CORRECTIONS)), np.nan)
    w, n = reliability(own).priors.w, int(known.sum())
    off[known], off_w[known] = own.prior_residuals[:n], w[:n]
    points = [point for point, at in zip(set_ups.sight_point, set_ups.sight_setup, strict=True)
              if at == which]
    return solved.SetUpAlone.like(
        own, sights=solved.Sighted.each(
            point=points, residual=own.prior_residuals[n:].reshape(-1, 3), w=w[n:].reshape(-1, 3)),
        stated=factor * set_ups.sd[which], off=factor * off, off_w=off_w, sd=factor * own.sd,
        limit=chi2_isf(CHANCE, own.dof) if own.dof else None)
