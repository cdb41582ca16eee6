"""The parts that a rig is made of, besides its chain."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calib.chain.calibrated import Sensor
from calib.chain.sensors import SENSOR_KINDS


def factor_to_si(unit: str) -> float:
    """What a value in m or deg is multiplied with to be in m or rad."""
    return float(np.radians(1.0)) if unit == "deg" else 1.0


@dataclass(frozen=True)
class Parameter:
    """A named length (m) or angle (rad inside, deg on screens) of the rig.

    `tape_sd` is what careful taping of it reaches (1 sd; common practice, no source), or None
    where nobody tapes it. `least` and `most` bound what a machine can have; a `least` above 0 says
    that a length is positive by nature. `stated` says whether the rig file's user gave `start`.
    `until_shot`: estimated in a run that shoots a target which depends on it, else held.
    `near`: `start` is known beforehand, with the sd `tape_sd`, as if it were taped.
    """

    name: str
    unit: str
    start: float
    held: bool
    tape_sd: float | None
    means: str
    least: float = -np.inf
    most: float = np.inf
    stated: bool = False
    until_shot: bool = False
    near: bool = False

    def allows(self, value: float) -> bool:
        """Whether a value (m or rad) is in the range; an angle may be whole turns off."""
        if self.unit == "deg":
            value = self.least + np.mod(value - self.least, 2 * np.pi) \
                if np.isfinite(self.least) else value
        # A hair of room: 30 deg must not be more than 30 deg for having been radians.
        return self.least - 1e-9 <= value <= self.most + 1e-9

    @property
    def range_words(self) -> str:
        """The range in the unit of files, such as "from 0.15 to 6 m"."""
        low, high = ((np.degrees(b) if self.unit == "deg" else b) for b in (self.least, self.most))
        return f"from {low:g} to {high:g} {self.unit}"


@dataclass(frozen=True, kw_only=True)
class Reading(Sensor):
    """One reading: its sensor, its sd, and the limits and speed of its joint (rad, rad/s).

    `sd` is in rad, or m where the `unit` is "m". `optional`: readings.csv may leave it empty in a
    pose; it is an unknown there. `stroke`: the least and the most that one can be, m.
    """

    sd: float | None
    low: float
    high: float
    speed: float | None
    means: str
    optional: bool = False
    stroke: tuple[float, float] | None = None

    @property
    def parked(self) -> bool:
        """Whether its joint stays nearly as it is while the machine is at a stand."""
        return self.speed is None

    @property
    def unit(self) -> str:
        """Of the reading on screens and in files, "deg" or "m"."""
        return SENSOR_KINDS[self.kind].unit


@dataclass(frozen=True)
class PoseColumn:
    """What readings.csv may note of each pose, in `words` that stand for numbers.

    `on_ground`: words of poses in which the attachment is down on the ground.
    """

    name: str
    words: Mapping[str, float]
    means: str
    on_ground: tuple[str, ...] = ()

    def in_words(self, values: np.ndarray) -> list[str]:
        """What is noted of each pose as a file has it, shape (n_poses,)."""
        words = {value: word for word, value in self.words.items()}
        return [words.get(value, f"{value:g}") for value in values.tolist()]


@dataclass(frozen=True)
class Derived:
    """A quantity computed from two points of the chain with every joint angle zero.

    A bearing is the angle, rad, of the way from `start` to `end` left of the house's x axis, seen
    from above.
    """

    name: str
    measure: str
    start: str
    end: str
    means: str

    @property
    def unit(self) -> str:
        return "deg" if self.measure == "bearing" else "m"


@dataclass(frozen=True)
class Envelope:
    """Where the user works: joint angles (rad) of named reaches, times a sweep of some joints."""

    target: str  #: The target whose position matters.
    #: Name and joints of each: the latter map reading names to angles, what is not named is zero.
    reaches: tuple[tuple[str, Mapping[str, float]], ...]
    sweep: Mapping[str, np.ndarray]  #: The angles each swept joint takes, rad.
