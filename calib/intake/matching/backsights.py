"""Whether the sights to known points agree with each other, as the stated sds allow.

Each set-up is adjusted on its own. Its weighted sum of squares is chi-square distributed if the sds
of instrument, known points and set-up are true. One that is not is refused, and what could be wrong
is tried: angles in another unit, one known point, the heights.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from calib.adjust.adjustment import Adjustment
from calib.adjust.distributions import chi2_isf
from calib.adjust.mixed_model import ModelNotFinite, NotConverged
from calib.adjust.spectrum import NotDetermined
from calib.intake.files.field_units import UNITS
from calib.intake.files.pointings import Pointings
from calib.intake.geometry.free_station import Given, NoStation, approximate
from calib.intake.geometry.polar import InstrumentSds, PolarShots, points, shot_covariance
from calib.intake.matching.known_points import KnownPoints, SetUp
from calib.run.complaints import Findings
from calib.run.records import SetUps
from calib.stations import CHANCE, alone

_ANY_HEIGHT = 10.0
"""Standard deviation (m) of heights that are not to count."""

_MOST_EXCHANGED = 6
"""Known points among which two that were exchanged are looked for."""


@dataclass(frozen=True)
class Agreement:
    """The sights of one set-up against the known points."""

    points: tuple[str, ...]  #: Known points, one per sight.
    residuals: np.ndarray  #: Shape (n, 3). Sighted less known, after the adjustment, m.
    #: chi2, limit: `limit` is what chi2 stays below with probability 1 - `CHANCE`.
    chi2: float
    dof: int
    limit: float

    @property
    def holds(self) -> bool:
        return self.chi2 <= self.limit

    @property
    def each_in_mm(self) -> str:
        """The residuals of every sight."""
        return "; ".join(
            f"{point} " + " ".join(f"{value:+.1f}" for value in residual * 1000)
            for point, residual in zip(self.points, self.residuals, strict=True))

    def __str__(self) -> str:
        size = np.linalg.norm(self.residuals, axis=1)
        return (f"residuals up to {_mm(size.max())} ({self.points[int(size.argmax())]}), "
                f"chi-square {self.chi2:.3g}, limit {self.limit:.3g} with {self.dof} degrees of "
                "freedom")


def judge_set_ups(
    found: Pointings,
    known: KnownPoints | None,
    given: dict[str, Given],
    placed: dict[str, SetUp],
    sds: InstrumentSds,
    angles: str,
    reread: Callable[[str], Pointings | None],
    findings: Findings,
) -> list[str]:
    """A sentence per set-up with sights to check; a complaint for each that does not agree.

    Parameters
    ----------
    angles : str
        The declared unit.
    reread : callable
        All pointings with their angles in another unit; None where that cannot be.
    """
    says: list[str] = []
    if known is None:
        return says
    others: dict[str, Pointings | None] = {}
    for name in placed:
        prior = given.get(name, Given.nothing())
        agreement = agreement_of(found, name, known, prior, sds)
        if agreement is None:
            continue
        count = len(set(agreement.points))
        says.append(f"set-up {name}: {len(agreement.points)} sights to {count} known "
                    f"points, {agreement}; east, north, up, mm: {agreement.each_in_mm}")
        if agreement.holds:
            continue
        for unit in UNITS:
            if unit != angles and unit not in others:
                others[unit] = reread(unit)
        findings.complain(
            f"set-up {name}", None, None,
            f"sights to known points that disagree: {_each(agreement)}; chi-square "
            f"{agreement.chi2:.3g} with {agreement.dof} degrees of freedom",
            f"below {agreement.limit:.3g}, as the stated sds allow: "
            + _cause(found, name, known, prior, sds, others))
    return says


def agreement_of(
    found: Pointings, name: str, known: KnownPoints, prior: Given, sds: InstrumentSds,
    heights: bool = True,
) -> Agreement | None:
    """Adjust one set-up; None if nothing is left over to check it with.

    Parameters
    ----------
    heights : bool
        False: heights do not count.
    """
    sights, names, at = _sights(found, name, known)
    sd = known.sd[at]
    if not heights:
        sd[:, 2] = _ANY_HEIGHT
    try:
        _, adjustment = _adjusted(sights, names, known.position[at], sd, sds, prior)
    except (NoStation, NotDetermined):
        return None
    except (NotConverged, ModelNotFinite):
        return Agreement(names, np.full((len(at), 3), np.inf), np.inf, 3 * len(at), 0.0)
    dof = adjustment.dof - (0 if heights else len(set(names)) - 1)
    if dof < 1 or not names:
        return None
    return Agreement(names, adjustment.prior_residuals[-3 * len(at):].reshape(-1, 3),
                     adjustment.chi2, dof, float(chi2_isf(CHANCE, dof)))


def from_sights_alone(
    found: Pointings, name: str, known: KnownPoints, sds: InstrumentSds
) -> np.ndarray | None:
    """Where sights to known points put the tilting axis of a set-up, shape (3,), m; None if they
    do not tell."""
    sights, names, at = _sights(found, name, known)
    try:
        position, moved = _adjusted(sights, names, known.position[at], known.sd[at], sds,
                                    Given.nothing())
    except (NoStation, NotDetermined, NotConverged, ModelNotFinite):
        return None
    return np.asarray(position + moved.parameters[:3])


def _sights(found, name, known):
    """The sights of a set-up to known points, which these are, and where among the known."""
    rows = [i for i in range(len(found)) if found.setup[i] == name and found.ids[i] in known.ids]
    names = tuple(found.ids[i] for i in rows)
    return found.polar.select(rows), names, [known.ids.index(point) for point in names]


def _adjusted(sights: PolarShots, names: tuple[str, ...], known: np.ndarray, known_sd: np.ndarray,
              sds: InstrumentSds, given: Given) -> tuple[np.ndarray, Adjustment]:
    """About where the set-up is, m, and it by itself, as in the adjustment of a run without shots.
    """
    position, orientation = approximate(sights, known, given)
    set_up = SetUps(
        ("",), position[None], np.array([orientation]), given.sd[None],
        np.zeros(len(sights), int), names, points(sights, position, orientation),
        shot_covariance(sights, np.full(len(sights), orientation), sds), known, known_sd)
    return position, alone(set_up, 0)


def _cause(found, name, known, prior, sds, others):
    """What makes the sights agree, or what could be wrong."""
    for unit, again in others.items():
        if again is not None and _holds(agreement_of(again, name, known, prior, sds)):
            return f"read as {unit} they agree (--angles {unit})"
    if _holds(agreement_of(found, name, known, prior, sds, heights=False)):
        return ("only the heights disagree (a pole height, an instrument height, or the height of "
                "a known point?)")
    points = [p for p in dict.fromkeys(found.ids) if p in known.ids]
    for words, others_known in _exchanges(known, points):
        if _holds(agreement_of(found, name, others_known, prior, sds)):
            return f"with {words} exchanged they agree"
    single = [p for p in points
              if _holds(agreement_of(found, name, _without(known, p), prior, sds))]
    if single:
        return (" or ".join(f"without {p}" for p in single) + " they agree (another point "
                "sighted, its coordinates mistyped, or its sd too small?)")
    return ("angles in another unit, another point sighted, coordinates of known points mistyped "
            "or columns exchanged, or sds stated too small?")


def _without(known, point):
    """The known points but for one."""
    kept = [i for i, name in enumerate(known.ids) if name != point]
    return replace(known, ids=tuple(known.ids[i] for i in kept), position=known.position[kept],
                   sd=known.sd[kept])


def _exchanges(known, points):
    """Known points as they would be with columns or with two points exchanged, and in words."""
    turned = known.position[:, [1, 0, 2]]
    yield "east and north of the known points", replace(known, position=turned)
    for one, other in combinations(points[:_MOST_EXCHANGED], 2):
        order = list(range(len(known.ids)))
        i, j = known.ids.index(one), known.ids.index(other)
        order[i], order[j] = j, i
        yield f"{one} and {other}", replace(known, position=known.position[order],
                                            sd=known.sd[order])


def _holds(agreement):
    return agreement is not None and agreement.holds


def _each(agreement):
    """Residuals per sight, the largest first."""
    size = np.linalg.norm(agreement.residuals, axis=1)
    if not np.isfinite(size).all():
        return "no position fits them"
    return ", ".join(f"{agreement.points[i]} {_mm(size[i])}" for i in np.argsort(-size)[:5])


def _mm(metres):
    return f"{metres * 1000:.1f} mm" if metres < 1 else f"{metres:.2f} m"
