"""What may have gone wrong in the field, as facts; their words are in `calib.report.words.mistake`.

Lengths in m, angles in rad; poses, stands, readings, targets and taped quantities by name.
"""

from dataclasses import dataclass
from typing import dataclass_transform

from calib.judge.misbooked import Booked

#: How the poses that something is about lie in the run.
ALL, FROM, UP_TO, SOME = "all", "from a pose on", "up to a pose", "some"

#: What may be wrong with a set-up of the instrument.
TILTED, TURNING, DRIFTING = "tilted", "turning", "drifting"


@dataclass(frozen=True)
class AtEdge:
    """Something that may be wrong, at its size."""

    fact: "Fact"
    moves: float  #: How far it puts the edge off, worst over the envelope, m.


@dataclass(frozen=True)
class Where:
    """Poses of a run: `poses` are their ids in order, none for all."""

    extent: str = ALL
    poses: tuple[str, ...] = ()


@dataclass_transform(frozen_default=True)
class _Frozen:
    """Makes a frozen dataclass of each of its kinds."""

    def __init_subclass__(cls):
        dataclass(frozen=True)(cls)


class Fact(_Frozen):
    """Something that went wrong."""


class ChangeFact(_Frozen):
    """Something that went wrong in every pose, or in any of them in the same way."""


class InPoses(Fact):
    """What went wrong in some poses, or in all."""

    change: ChangeFact
    where: Where


class AxesSwapped(ChangeFact):
    """North and east of the shots."""


class HeightsReversed(ChangeFact):
    """Heights of the shots have the wrong sign."""


class ShotsInFeet(ChangeFact):
    """Of the US survey, or international ones."""

    us_survey: bool


class CornersExchanged(ChangeFact):
    """Left for right: `pairs` are the targets."""

    pairs: tuple[tuple[str, str], ...]


class SignsWrong(ChangeFact):
    """Of a reading or two; `directions` are those that rig.toml would have to say."""

    readings: tuple[str, ...]
    directions: tuple[int, ...]


class ZeroTurned(ChangeFact):
    """A reading to which so many quarter turns (1 to 3) must be added."""

    reading: str
    quarters: int


class ColumnsExchanged(ChangeFact):
    """Two columns of readings."""

    first: str
    second: str


class ReadingInUnit(ChangeFact):
    """A reading in "radians" or "gon"."""

    reading: str
    unit: str


class RowsShifted(ChangeFact):
    """Each pose has the readings of the one before (`by` 1) or after it (-1): one column or all."""

    by: int
    reading: str | None


class HeightsMissing(Fact):
    """Every shot has the height `up`."""

    up: float


class TapeMisread(Fact):
    """A taped value that times `factor` agrees; `written` is in m or rad."""

    quantity: str
    is_angle: bool
    written: float
    factor: float


class TapeWrong(Fact):
    """A taped value that the shots put elsewhere."""

    quantity: str
    is_angle: bool
    written: float
    shown: float


class PosesExchanged(Fact):
    """The numbers of two poses, or only their readings."""

    first: str
    second: str
    readings_only: bool


class ShotsExchanged(Fact):
    """Two shots of one target in two poses, by their ids."""

    first: str
    second: str


class StandOfPose(Fact):
    """A pose labelled with one stand and taken at another."""

    pose: str
    label: str
    stand: str


class LateLabel(Fact):
    """Poses from `first` to `last`; the machine moved earlier or later than the label says."""

    first: str
    last: str
    label: str
    stand: str
    earlier: bool


class Moved(Fact):
    """The machine, between two poses of one label."""

    before: str
    after: str
    stand: str


class Swung(Fact):
    """The house, counter-clockwise positive, between two poses of one label."""

    before: str
    after: str
    stand: str
    turn: float


class ZeroShifted(Fact):
    """Of a reading, between two poses."""

    reading: str
    before: str
    after: str
    by: float


class Gain(Fact):
    """A reading that runs too wide by the share `gain`, or too narrow where it is negative."""

    reading: str
    gain: float


class Creeps(Fact):
    """A reading that shows `by` more in the last pose than it would have in the first."""

    reading: str
    by: float


class FeelsApproach(Fact):
    """A reading that shows `by` more where its joint came up to the pose than where down."""

    reading: str
    by: float


class HeldElsewhere(Fact):
    """A parameter that is `by` more than what it is held at; `unit` "m" or "deg"."""

    parameter: str
    unit: str
    by: float


class SetUpOff(Fact):
    """All shots, of a set-up that is not as it is taken to be.

    `TILTED` (rise per m to the east and to the north), `TURNING` (clockwise, rad) or `DRIFTING`
    (east, north, up, m) from the first shot to the last.
    """

    what: str
    by: tuple[float, ...]


class Scale(Fact):
    """Of all shots against the taped lengths."""

    factor: float


@dataclass(frozen=True)
class ShotsOf:
    """Shots at a target, or of the poses from `first` to `last`."""

    target: str | None = None
    first: str = ""
    last: str = ""


class HeightsOff(Fact):
    """Heights of some shots are too large by `by`; `slip` if it is too little for a pole."""

    shots: ShotsOf
    by: float
    slip: bool


class Settled(Fact):
    """The machine rose by `by` between two poses, or settled; `later` are the shots since."""

    before: str
    after: str
    by: float
    later: ShotsOf


class OtherBucket(Fact):
    """Another edge in some poses; `differs` are parameters, their units and by how much."""

    where: Where
    differs: tuple[tuple[str, str, float], ...]


class SingleValues(Fact):
    """Values that are wrong by themselves, named as for --set-aside."""

    names: tuple[str, ...]


class Misbooked(Fact):
    """Shots of other targets or poses than they are booked as."""

    booked: tuple[Booked, ...]


class Both(Fact):
    """Two things at once."""

    first: Fact
    second: Fact
