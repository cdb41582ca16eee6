"""Ways to read the files of a run otherwise: what was taken for one another in every pose.

Each is a relabelling of the whole run, and where the machine of the relabelled run is to be looked
for. Nothing here decides; see `calib.judge.equivalent`.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from itertools import combinations

import numpy as np

from calib.chain.rig import Rig
from calib.judge.changed import (
    east_and_north_exchanged,
    exchanged,
    upside_down,
    with_columns,
    with_readings,
    with_shots,
)
from calib.run.records import Run

#: That a crew calls a point by the name of one that it never shoots: a chance of 1 in 400, say
#: (ours, no source).
_NEVER_SHOT = 12.0

#: What was taken for what.
TARGETS, READINGS, SIGNS = "targets", "readings", "signs"
EAST_AND_NORTH, HEIGHTS = "east and north", "heights"

#: Readings of unlike kinds can only be exchanged unnoticed if both move less than this, rms.
_STILL = np.radians(5.0)


@dataclass(frozen=True)
class Relabelling:
    """Another way to read the files."""

    #: `TARGETS` or `READINGS` exchanged, `SIGNS` of readings reversed, `EAST_AND_NORTH` exchanged,
    #: `HEIGHTS` of the other sign.
    what: str
    names: tuple[str, ...]  #: Of the targets or readings.
    apply: Callable[[Run], Run]  #: ``apply(run) -> Run`` with the labels changed.
    #: ``start(parameters) -> parameters``, shape (p,): about where the machine then lies.
    start: Callable[[np.ndarray], np.ndarray]
    #: What the files as they are have before it by themselves, in chi2.
    unlikely: float = 0.0


def relabellings(run: Run) -> list[Relabelling]:
    """What could have been taken for one another in every pose of a run.

    What the sensors mean is settled where other shots with them are known (`run.machine`): a few
    poses of a new attachment need not tell it again.
    """
    made = [*_exchanged_targets(run)]
    if run.machine is None:
        made += [*_exchanged_readings(run), *_turned_signs(run)]
    if run.set_ups is None:  # they and their sights would have to go with the shots
        made += [Relabelling(EAST_AND_NORTH, (), east_and_north_exchanged, np.asarray),
                 Relabelling(HEIGHTS, (), upside_down, np.asarray)]
    return made


def zero_of(rig: Rig, reading: int) -> int | None:
    """Index of the parameter that is a reading's zero, or None if there is none to solve for."""
    name = rig.readings[reading].zero
    if name is None:
        return None
    index = rig.parameter_names.index(name)
    return None if rig.held[index] else index


def half_turned(rig: Rig, parameters: np.ndarray, reading: int) -> np.ndarray:
    """Parameters (p,) of the same points with a reading's zero half a turn further.

    A half turn about an axis passes every motion along or about that axis and negates the others,
    up to the next joint. Whether that joint lets it pass unnoticed is for the data to say.
    """
    motions, name = rig.chain.motions, rig.readings[reading].name
    first = next(k for k, m in enumerate(motions) if m.joint == name)
    after = next((k for k in range(first + 1, len(motions)) if motions[k].joint is not None),
                 len(motions))
    reached = [m for t in rig.targets if first < rig.chain.depth[t.frame] <= after
               for m in t.motions]
    negated = {p for m in (*motions[first + 1 : after], *reached)
               if m.axis != motions[first].axis for p in m.by}
    turned = np.array([-v if n in negated else v
                       for n, v in zip(rig.parameter_names, parameters, strict=True)])
    return zeros_moved(rig, turned, [reading], np.pi)


def _targets_exchanged(run, a, b):
    return with_shots(run, target=exchanged(run.shots.target, a, b))


def _exchanged_targets(run):
    """Targets of one member, two by two; also one that was shot for one that nobody shot."""
    targets, shot = run.rig.targets, set(run.shots.target.tolist())
    for a, b in combinations(range(len(targets)), 2):
        if targets[a].frame == targets[b].frame and {a, b} & shot:
            yield Relabelling(
                TARGETS, (targets[a].name, targets[b].name),
                partial(_targets_exchanged, a=a, b=b),
                np.asarray, 0.0 if {a, b} <= shot else _NEVER_SHOT)


def _exchanged_readings(run):
    """Readings that could play each other's part: both in the boom plane, or both nearly still."""
    readings = run.rig.readings
    still = run.poses.readings[np.unique(run.shots.pose)].std(0) < _STILL
    for a, b in combinations(range(len(readings)), 2):
        in_plane = readings[a].kind == readings[b].kind == "in_boom_plane"
        if in_plane or (still[a] and still[b]):
            yield Relabelling(READINGS, (readings[a].name, readings[b].name),
                              partial(_readings_exchanged, a=a, b=b),
                              partial(_zeros_exchanged, run.rig, a=a, b=b))


def _readings_exchanged(run, a, b):
    order = exchanged(np.arange(run.poses.readings.shape[1]), a, b)
    return with_readings(run, run.poses.readings[:, order], run.poses.sd[:, order])


def _zeros_exchanged(rig, parameters, a, b):
    pair, start = [zero_of(rig, a), zero_of(rig, b)], parameters.copy()
    if None not in pair:
        start[pair] = parameters[pair[::-1]]
    return start


def _turned_signs(run):
    """One reading of the other sign, or all of those in the boom plane."""
    rig, mean = run.rig, run.poses.readings[np.unique(run.shots.pose)].mean(0)
    for j, reading in enumerate(rig.readings):
        by = 2 * reading.direction * mean[j]
        yield _sign(rig, [j], partial(zeros_moved, rig, columns=[j], by=by))
    # Seen from the other side of the machine: what lies in the boom plane, and the house with it.
    plane = [j for j, r in enumerate(rig.readings) if r.kind == "in_boom_plane"]
    house = [j for j, r in enumerate(rig.readings) if r.kind == "joint" and r.speed is None]
    for columns in (plane, [*house, *plane]) if len(plane) > 1 else ():
        yield _sign(rig, columns, partial(_from_the_other_side, rig, plane=plane))


def _from_the_other_side(rig, parameters, plane):
    """A link at the angle q is at half a turn less q when seen from the other side."""
    for j in plane:
        zero = zero_of(rig, j)
        held_at = 0.0 if zero is None else parameters[zero]
        parameters = zeros_moved(rig, parameters, [j], np.pi - 2 * held_at)
    return parameters


def _sign(rig, columns, start):
    return Relabelling(SIGNS, tuple(rig.readings[j].name for j in columns),
                       partial(with_columns, columns=columns, function=np.negative), start)


def zeros_moved(rig: Rig, parameters: np.ndarray, columns: Iterable[int], by: float) -> np.ndarray:
    """Parameters with the zeros of some readings moved by so many rad, where solved for."""
    start = parameters.copy()
    for j in columns:
        if (zero := zero_of(rig, j)) is not None:
            start[zero] += by
    return start
