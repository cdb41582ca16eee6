"""Changes of whole columns or of all shots: each would undo a mistake made in every pose.

The same mistake may have been made from some pose on, up to some pose, or in any of them. A change
works pose by pose, so that it can be made in those poses only: see `in_poses`.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations, pairwise

import numpy as np

from calib.chain.circle import wrapped
from calib.chain.length import FOOT, US_SURVEY_FOOT
from calib.judge import facts
from calib.judge.changed import (
    east_and_north_exchanged,
    upside_down,
    with_columns,
    with_readings,
    with_shots,
)
from calib.judge.mistakes import Mistake, corner_pairs, corners_exchanged
from calib.run.records import Run

#: The family of wrong units, of shots or of a reading.
UNITS = "units"

#: In another unit a reading must have moved otherwise by so many of its sds.
_MOVED_SDS = 3.0


@dataclass(frozen=True)
class Change:
    """A change of every pose."""

    family: str  #: Mistakes of one family share the odds of that family.
    fact: facts.ChangeFact  #: What happened.
    #: ``apply(run) -> Run`` with the same poses and the same shots, each changed by itself.
    apply: Callable[[Run], Run]
    columns: tuple[int, ...] = ()  #: Readings that it changes.
    lost: int | None = None  #: The pose that is left without readings, as an index (0 or -1).
    #: Made pose by pose, in any of them; else from some pose on, or up to one.
    any_poses: bool = False
    every_shot: bool = False  #: It concerns the writing of shots: check shots too.


def in_poses(run: Run, change: Change, poses: np.ndarray) -> Run | None:
    """The run with a change made in some poses (bool, shape (n_poses,)).

    None if a sensor could not show what it would then have to have shown.
    """
    if change.apply(run).poses is not run.poses and not possible(run, change)[poses].all():
        return None
    return _made(run, change, poses)


def _made(run, change, poses):
    changed = change.apply(run)
    if changed.poses is not run.poses:
        readings = np.where(poses[:, None], changed.poses.readings, run.poses.readings)
        sd = np.where(poses[:, None], changed.poses.sd, run.poses.sd)
        changed = replace(changed, poses=replace(changed.poses, readings=readings, sd=sd))
    if changed.shots is not run.shots and not poses.all():
        old, new, mine = run.shots, changed.shots, poses[run.shots.pose]
        changed = with_shots(
            changed,
            target=np.where(mine, new.target, old.target),
            position=np.where(mine[:, None], new.position, old.position),
            covariance=np.where(mine[:, None, None], new.covariance, old.covariance),
        )
    if change.lost is not None and poses[change.lost]:
        lost = np.arange(len(poses))[change.lost]
        changed = replace(changed, shots=changed.shots.select(changed.shots.pose != lost))
    return changed


def mistake_in(run: Run, change: Change, poses: np.ndarray) -> Mistake | None:
    """The mistake that a change of some poses (bool, shape (n_poses,)) undoes; None as above."""
    if in_poses(run, change, poses) is None:
        return None
    everywhere = bool(poses.all())
    return Mistake(
        change.family if everywhere else f"{change.family}, in part",
        facts.InPoses(change.fact, where_of(run, poses)),
        partial(_made, change=change, poses=poses),
        poses=() if everywhere else tuple(np.flatnonzero(poses).tolist()),
        every_shot=change.every_shot and everywhere)


def where_of(run: Run, poses: np.ndarray) -> facts.Where:
    """Which poses of those with shots (bool, shape (n_poses,))."""
    shot = np.isin(np.arange(len(poses)), run.shots.pose)
    mine, others = np.flatnonzero(poses & shot), np.flatnonzero(~poses & shot)
    if not len(others):
        return facts.Where(facts.ALL)
    extent = facts.SOME
    if len(mine) > 2 and mine[0] > others[-1]:
        extent = facts.FROM
    elif len(mine) > 2 and mine[-1] < others[0]:
        extent = facts.UP_TO
    return facts.Where(extent, tuple(run.poses.ids[p] for p in mine))


def plausible(run: Run, j: int) -> np.ndarray:
    """Whether reading `j` of each pose can be what its sensor shows, shape (n_poses,).

    An inclination across is within 90 deg; a stroke is a length; a joint angle is not
    45 deg beyond its limits.
    """
    reading, angle = run.rig.readings[j], run.poses.readings[:, j]
    if reading.kind == "stroke":
        return angle > 0
    if reading.kind == "across":
        return np.abs(angle) <= np.pi / 2
    if reading.kind == "joint" and reading.high - reading.low < np.pi:
        angle = reading.direction * angle
        return (angle > reading.low - np.pi / 4) & (angle < reading.high + np.pi / 4)
    return np.ones(len(angle), bool)


def possible(run: Run, change: Change) -> np.ndarray:
    """The poses in which a change leaves readings that the sensors can show, shape (n_poses,)."""
    changed = change.apply(run)
    return np.all([np.ones(len(run.poses.ids), bool),
                   *(plausible(changed, j) for j in change.columns)], axis=0)


def changes_of(run: Run) -> list[Change]:
    """Every change that is tried."""
    return [*_of_shots(run), *_signs(run), *_zeros(run), *_exchanged(run), *_units(run),
            *_shifted(run)]


def _in_feet(run, foot):
    return with_shots(run, position=run.shots.position * foot)


def _of_shots(run):
    yield Change("axes", facts.AxesSwapped(), east_and_north_exchanged, every_shot=True)
    if np.ptp(run.shots.position[:, 2]) > 1e-6:
        yield Change("heights", facts.HeightsReversed(), upside_down, every_shot=True)
    for us_survey, foot in ((False, FOOT), (True, US_SURVEY_FOOT)):
        yield Change(UNITS, facts.ShotsInFeet(us_survey), partial(_in_feet, foot=foot),
                     every_shot=True)
    pairs, names = corner_pairs(run), run.rig.target_names
    if pairs:
        yield Change(
            "corners", facts.CornersExchanged(tuple((names[a], names[b]) for a, b in pairs)),
            lambda run: corners_exchanged(run, np.ones(len(run.shots), bool)), any_poses=True)


def _of_columns(family, fact, columns, function):
    """A change of some columns of readings, each number by itself or with those beside it."""
    return Change(family, fact, partial(with_columns, columns=columns, function=function), columns)


def _signs(run):
    """One sensor turned round, or two neighbours on one cable or bracket."""
    names = run.rig.reading_names
    for columns in (*((j,) for j in range(len(names))), *pairwise(range(len(names)))):
        fact = facts.SignsWrong(tuple(names[j] for j in columns),
                                tuple(-int(run.rig.readings[j].direction) for j in columns))
        yield _of_columns("sign" if len(columns) == 1 else "two signs", fact, columns, np.negative)


def _angles(run):
    """Column and name of the readings that are angles."""
    return [(j, r.name) for j, r in enumerate(run.rig.readings) if r.unit == "deg"]


def _zeros(run):
    for j, name in _angles(run):
        for quarter in (1, 2, 3):
            def turned(angle, quarter=quarter):
                return wrapped(angle + quarter * np.pi / 2)

            yield _of_columns("zero", facts.ZeroTurned(name, quarter), (j,), turned)


def _exchanged(run):
    names = run.rig.reading_names
    for a, b in combinations(range(len(names)), 2):
        # The file's sds belong to the names, not to the numbers that stand under them.
        yield _of_columns("exchanged columns", facts.ColumnsExchanged(names[a], names[b]), (a, b),
                          np.fliplr)


def _units(run):
    """Units of readings; of one that hardly moves another unit is another zero: none."""
    moves = run.poses.readings.std(0)
    for j, name in _angles(run):
        for unit, factor in (("radians", np.degrees(1.0)), ("gon", 0.9)):
            if abs(factor - 1) * moves[j] >= _MOVED_SDS * np.min(run.poses.sd[:, j]):
                yield _of_columns("unit of a reading", facts.ReadingInUnit(name, unit), (j,),
                                  partial(np.multiply, factor))


def _shifted(run):
    """All columns together, then each by itself."""
    names = run.rig.reading_names
    for family, name, columns in (
        ("shift", None, tuple(range(len(names)))),
        *(("column shift", name, (j,)) for j, name in enumerate(names)),
    ):
        for by in (1, -1):
            yield Change(family, facts.RowsShifted(by, name),
                         partial(_moved_rows, by=by, columns=list(columns)), columns,
                         -1 if by == 1 else 0)


def _moved_rows(run, by, columns):
    """Some readings of pose i + `by` given to pose i; the end pose keeps its own."""
    n = len(run.poses.ids)
    source = np.clip(np.arange(n) + by, 0, n - 1)
    readings, sd = run.poses.readings.copy(), run.poses.sd.copy()
    readings[:, columns] = run.poses.readings[source][:, columns]
    sd[:, columns] = run.poses.sd[source][:, columns]
    return with_readings(run, readings, sd)
