"""What a run holds once it has been read: SI units, site frame, ids as text."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import chain
from pathlib import Path
from typing import Any, Self

import numpy as np

from calib.chain.rig import Rig
from calib.entries.listed import EntryList


class Rows:
    """A table as a dataclass of columns: arrays, tuples, or several by name; None is no column."""

    def select(self, rows: np.ndarray) -> Self:
        """The rows where `rows` (bool, shape (n,)) is true, or those of its numbers."""
        return type(self)(*(_selected(column, rows) for column in vars(self).values()))

    def joined(self, *others: Self) -> Self:
        """These rows, then those of others with the same columns."""
        columns = zip(*(vars(table).values() for table in (self, *others)), strict=True)
        return type(self)(*map(_joined, columns))


def _selected(column: Any, rows: np.ndarray) -> Any:
    if isinstance(column, Mapping):
        return {name: _selected(values, rows) for name, values in column.items()}
    if isinstance(column, tuple):
        return tuple(column[i] for i in np.arange(len(column))[rows])
    return None if column is None else column[rows]


def _joined(columns: Sequence[Any]) -> Any:
    first = columns[0]
    if isinstance(first, Mapping):
        return {name: _joined([column[name] for column in columns]) for name in first}
    if isinstance(first, tuple):
        return tuple(chain.from_iterable(columns))
    return None if first is None else np.concatenate(columns)


@dataclass(frozen=True)
class Poses(Rows):
    """One row per pose, as read from readings.csv."""

    ids: tuple[str, ...]
    stand: tuple[str, ...]
    #: readings, sd: shape (n_poses, n_readings), rad; columns in the rig's order. A reading with an
    #: infinite sd is set aside.
    readings: np.ndarray
    sd: np.ndarray
    time: tuple[str | None, ...]
    line: tuple[int, ...]  #: Line of readings.csv, for messages; 0 where there is no file.
    #: What the pose columns that are there say (`calib.chain.rig.PoseColumn`).
    noted: Mapping[str, np.ndarray] = field(default_factory=dict)


@dataclass(frozen=True)
class Shots(Rows):
    """One row per shot."""

    ids: tuple[str, ...]
    #: pose, target: int, shape (n,). Index into the run's poses and the rig's targets.
    pose: np.ndarray
    target: np.ndarray
    position: np.ndarray  #: Shape (n, 3). East, north, up, m.
    covariance: np.ndarray  #: Shape (n, 3, 3), m^2, without what shots of one set-up share.
    time: tuple[str | None, ...]
    line: tuple[int, ...]
    #: Int, shape (n,), or None. Index into the run's set-ups, -1 for none; None where no shot has
    #: one.
    setup: np.ndarray | None = None

    def __len__(self) -> int:
        return len(self.ids)


@dataclass(frozen=True)
class Tape(Rows):
    """Taped quantities: names of parameters or derived quantities, values and sds in m or rad.

    `unit` is the unit as it was written.
    """

    quantities: tuple[str, ...]
    value: np.ndarray
    sd: np.ndarray
    unit: tuple[str, ...]
    line: tuple[int, ...]

    @property
    def si_units(self) -> tuple[str, ...]:
        """Of the values as they are kept: "m", or "deg" for an angle (kept in rad)."""
        return tuple("deg" if unit.casefold() == "deg" else "m" for unit in self.unit)

    @classmethod
    def none(cls) -> "Tape":
        """No taped quantity at all."""
        return cls((), np.zeros(0), np.zeros(0), (), ())


@dataclass(frozen=True)
class SetUps:
    """Set-ups of total stations, and their sights to known points.

    Shots and sights were computed with approximate values of the set-up. What those values lack
    (a shift east, north, up and a clockwise turn about the vertical through the instrument) is
    unknown, shared by all that was measured from there.
    """

    ids: tuple[str, ...]
    position: np.ndarray  #: Shape (n, 3). Of the tilting axis, as shots were computed with, m.
    #: Shape (n,). Bearing of the circle's zero, as shots were computed with, rad.
    orientation: np.ndarray
    #: Shape (n, 4). Of east, north, up (m) and orientation (rad); NaN: nothing is known beforehand.
    sd: np.ndarray
    sight_setup: np.ndarray  #: Int, shape (m,).
    sight_point: tuple[str, ...]
    sight: np.ndarray  #: Shape (m, 3). Where each sighted point came out, m.
    sight_covariance: np.ndarray  #: Shape (m, 3, 3). Of the pointing alone, m^2.
    #: known, known_sd: shape (m, 3). Where the sighted point is known to be, m; an sd of 0 is an
    #: errorless coordinate.
    known: np.ndarray
    known_sd: np.ndarray


@dataclass(frozen=True)
class Machine:
    """What other shots say of the machine: Gaussian, about its parameters together.

    ``root @ (parameters - value)`` has independent errors of unit variance: `root` is a square
    root of the information, which need not tell every parameter.
    """

    names: tuple[str, ...]  #: Parameters of the rig.
    value: np.ndarray  #: Shape (n,), m or rad.
    root: np.ndarray  #: Shape (q, n). Of full row rank; per m or per rad.
    source: str  #: The result that it comes from, for people.
    sha256: str = ""  #: Of the result that it comes from; empty if it is of several.
    #: Results that this one goes back to, each solved with the next about the same parameters.
    before: tuple[str, ...] = ()
    #: SHA-256 of every file of shots that it rests on; empty if that is not known.
    shots: tuple[str, ...] = ()
    #: What was taped of these parameters and is in it.
    tape: Tape = field(default_factory=Tape.none)
    #: How many other runs it comes from that were adjusted in one go; 0 if from a result.
    runs: int = 0


@dataclass(frozen=True)
class Run:
    """A run folder, read and checked.

    Attributes
    ----------
    files : dict of str to str
        SHA-256 of every file as it was read.
    rig : Rig
        As it is estimated from these shots: see `calib.chain.rig.Rig.when_shot`.
    notices : tuple of str
        What was tolerated, for the user to know.
    machine : Machine or None
        What is known of the machine from other shots than the run's.
    entries : EntryList or None
        What is to be typed into the machine, if the folder says so.
    unused : Tape
        What was taped besides: set aside, or in what is known of the machine.
    """

    folder: Path
    rig: Rig
    poses: Poses
    shots: Shots
    check: Shots | None
    tape: Tape
    files: dict[str, str]
    notices: tuple[str, ...] = ()
    set_ups: SetUps | None = None
    machine: Machine | None = None
    entries: EntryList | None = None
    unused: Tape = field(default_factory=Tape.none)

    def __post_init__(self):
        # Which parameters are estimated may depend on what is shot: the rig suits the run's shots,
        # also those of a run made from another by leaving shots out.
        object.__setattr__(self, "rig", self.rig.when_shot(self.shots.target.tolist()))

    @property
    def whole_tape(self) -> Tape:
        """All that was taped, in the order of the file; what rig.toml says itself comes last."""
        whole = self.tape.joined(self.unused)
        return whole.select(np.argsort([line or np.inf for line in whole.line], kind="stable"))

    @cached_property
    def noted(self) -> np.ndarray:
        """What is noted of each pose, shape (n_poses, n_pose_columns); 0 where there is nothing."""
        return self.rig.as_noted(self.poses.noted, len(self.poses.ids))

    def __repr__(self):
        return (f"<Run {str(self.folder)!r}: {len(self.shots)} shots, {len(self.poses.ids)} poses, "
                f"{len(self.tape.quantities)} taped>")
