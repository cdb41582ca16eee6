"""Setting values aside: the run without some shots, poses, readings, taped values or sights."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from calib.run.complaints import UnknownName
from calib.run.records import Run, SetUps

#: What the user may write instead of names.
SUSPECTS, NONE = "suspects", "none"


@dataclass(frozen=True)
class SetAside:
    """What does not take part."""

    shots: frozenset[int] = frozenset()
    readings: frozenset[tuple[int, int]] = frozenset()  #: Pose and column.
    names: tuple[str, ...] = ()  #: As the user writes them.
    tape: frozenset[str] = frozenset()  #: Quantities.
    sights: frozenset[tuple[str, str]] = frozenset()  #: Set-up and known point.


def named(run: Run, names: Iterable[str]) -> SetAside:
    """What names mean.

    A shot's id, ``pose:ID`` for all its shots, ``ID/reading`` for a reading of a pose,
    ``tape:QUANTITY`` for a taped value, ``sight:SETUP/POINT`` for the sights to a known point.

    Raises
    ------
    UnknownName
        Naming every name that the run does not have.
    """
    names = tuple(dict.fromkeys(name.strip() for name in names))
    shots, readings, tape, sights, unknown = set(), set(), set(), set(), []
    pose_number = {pose: i for i, pose in enumerate(run.poses.ids)}
    column = {reading: i for i, reading in enumerate(run.rig.reading_names)}
    sighted = {f"sight:{setup}/{point}": (setup, point)
               for setup, point in sights_of(run.set_ups)}
    taped = set(run.tape.quantities) - run.rig.untold
    for name in names:
        pose, _, reading = name.rpartition("/")
        if name in run.shots.ids:
            shots.add(run.shots.ids.index(name))
        elif name.startswith("pose:") and name.removeprefix("pose:") in pose_number:
            number = pose_number[name.removeprefix("pose:")]
            shots.update(np.flatnonzero(run.shots.pose == number).tolist())
        elif pose in pose_number and reading in column:
            readings.add((pose_number[pose], column[reading]))
        elif name.startswith("tape:") and name.removeprefix("tape:") in taped:
            tape.add(name.removeprefix("tape:"))
        elif name in sighted:
            sights.add(sighted[name])
        else:
            unknown.append(name)
    if unknown:
        raise UnknownName(
            f"{', '.join(unknown)}: no such shot; give a shot's id, pose:ID for all shots of a "
            "pose, ID/reading for one reading of a pose, tape:QUANTITY for a taped value that is "
            "not held, or sight:SETUP/POINT for the sights to a known point"
        )
    return SetAside(frozenset(shots), frozenset(readings), names, frozenset(tape),
                    frozenset(sights))


def sights_of(set_ups: SetUps | None) -> list[tuple[str, str]]:
    """Set-up and known point of every sight; the same pair again where it was sighted again."""
    if set_ups is None:
        return []
    return [(set_ups.ids[i], point)
            for i, point in zip(set_ups.sight_setup, set_ups.sight_point, strict=True)]


def without(run: Run, aside: SetAside) -> Run:
    """The run without what is set aside.

    A reading that is set aside gets an infinite sd: it is an unknown, which the shots of its pose
    determine if they can.
    """
    keep = np.array([i not in aside.shots for i in range(len(run.shots))], bool)
    sd = run.poses.sd.copy()
    for pose, reading in aside.readings:
        sd[pose, reading] = np.inf
    taped = np.array([name not in aside.tape for name in run.tape.quantities], bool)
    return replace(run, shots=run.shots.select(keep), poses=replace(run.poses, sd=sd),
                   tape=run.tape.select(taped), unused=run.unused.joined(run.tape.select(~taped)),
                   set_ups=_set_ups_without(run.set_ups, aside.sights))


def _set_ups_without(set_ups, sights):
    if not sights:
        return set_ups
    rows = [i for i, sight in enumerate(sights_of(set_ups)) if sight not in sights]
    return replace(
        set_ups, sight_setup=set_ups.sight_setup[rows],
        sight_point=tuple(set_ups.sight_point[i] for i in rows), sight=set_ups.sight[rows],
        sight_covariance=set_ups.sight_covariance[rows], known=set_ups.known[rows],
        known_sd=set_ups.known_sd[rows],
    )
