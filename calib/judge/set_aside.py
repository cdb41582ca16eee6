"""Setting values aside: the run without some shots, poses or readings."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from calib.adjust.snooping import SET_ASIDE_FACTOR
from calib.run.records import Run

#: What the user may write instead of names.
SUSPECTS, NONE = "suspects", "none"


class UnknownName(Exception):
    """A name to set aside that the run does not have, or that means two things."""


@dataclass(frozen=True)
class SetAside:
    """What does not take part.

    Attributes
    ----------
    shots : frozenset of int
    readings : frozenset of (int, int)
        Pose and column.
    names : tuple of str
        As the user writes them.
    """

    shots: frozenset[int] = frozenset()
    readings: frozenset[tuple[int, int]] = frozenset()
    names: tuple[str, ...] = ()


def named(run: Run, names: Iterable[str]) -> SetAside:
    """What names mean: a shot's id, ``pose:ID`` for all its shots, ``ID/reading`` for a reading.

    Raises
    ------
    UnknownName
        Naming every name that the run does not have.
    """
    names = tuple(dict.fromkeys(name.strip() for name in names))
    shots, readings, unknown = set(), set(), []
    pose_number = {pose: i for i, pose in enumerate(run.poses.ids)}
    column = {reading: i for i, reading in enumerate(run.rig.reading_names)}
    for name in names:
        pose, _, reading = name.rpartition("/")
        if name in run.shots.ids:
            shots.add(run.shots.ids.index(name))
        elif name.startswith("pose:") and name.removeprefix("pose:") in pose_number:
            number = pose_number[name.removeprefix("pose:")]
            shots.update(np.flatnonzero(run.shots.pose == number).tolist())
        elif pose in pose_number and reading in column:
            readings.add((pose_number[pose], column[reading]))
        else:
            unknown.append(name)
    if unknown:
        raise UnknownName(
            f"{', '.join(unknown)}: no such shot; give a shot's id, pose:ID for all shots of a "
            "pose, or ID/reading for one reading of a pose"
        )
    return SetAside(frozenset(shots), frozenset(readings), names)


def without(run: Run, aside: SetAside) -> Run:
    """The run without the shots set aside, and with the readings set aside made powerless.

    A powerless reading keeps its value with its sd multiplied by 10 000; it still counts as an
    observation, which raises the degrees of freedom by one that is none.
    """
    keep = np.array([i not in aside.shots for i in range(len(run.shots))], bool)
    sd = run.poses.sd.copy()
    for pose, reading in aside.readings:
        sd[pose, reading] *= SET_ASIDE_FACTOR
    return replace(run, shots=run.shots.select(keep), poses=replace(run.poses, sd=sd))
