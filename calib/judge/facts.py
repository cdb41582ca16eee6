"""What may have gone wrong in the field, as facts; their words are in `calib.report.words.mistake`.

Lengths in m, angles in rad; poses, stands, readings, targets and taped quantities by name.
"""

from dataclasses import dataclass

from calib.judge.misbooked import Booked

#: How the poses that something is about lie in the run.
ALL, FROM, UP_TO, SOME = "all", "from a pose on", "up to a pose", "some"

#: What may be wrong with a set-up of the instrument.
TILTED, TURNING, DRIFTING = "tilted", "turning", "drifting"


@dataclass(frozen=True)
class Where:
    """Poses of a run: `poses` are their ids in order, none for all."""

    extent: str = ALL
    poses: tuple[str, ...] = ()


class Fact:
    """Something that went wrong."""


class ChangeFact:
    """Something that went wrong in every pose, or in any of them in the same way."""


@dataclass(frozen=True)
class InPoses(Fact):
    """What went wrong in some poses, or in all."""

    change: ChangeFact
    where: Where


@dataclass(frozen=True)
class AxesSwapped(ChangeFact):
    """North and east of the shots."""


@dataclass(frozen=True)
class HeightsReversed(ChangeFact):
    """Heights of the shots have the wrong sign."""


@dataclass(frozen=True)
class ShotsInFeet(ChangeFact):
    """Of the US survey, or international ones."""

    us_survey: bool


@dataclass(frozen=True)
class CornersExchanged(ChangeFact):
    """Left for right: `pairs` are the targets."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class SignsWrong(ChangeFact):
    """Of a reading or two; `directions` are those that rig.toml would have to say."""

    readings: tuple[str, ...]
    directions: tuple[int, ...]


@dataclass(frozen=True)
class ZeroTurned(ChangeFact):
    """A reading to which so many quarter turns (1 to 3) must be added."""

    reading: str
    quarters: int


@dataclass(frozen=True)
class ColumnsExchanged(ChangeFact):
    """Two columns of readings."""

    first: str
    second: str


@dataclass(frozen=True)
class ReadingInUnit(ChangeFact):
    """A reading in "radians" or "gon"."""

    reading: str
    unit: str


@dataclass(frozen=True)
class RowsShifted(ChangeFact):
    """Each pose has the readings of the one before (`by` 1) or after it (-1): one column or all."""

    by: int
    reading: str | None


@dataclass(frozen=True)
class HeightsMissing(Fact):
    """Every shot has the height `up`."""

    up: float


@dataclass(frozen=True)
class TapeMisread(Fact):
    """A taped value that times `factor` agrees; `written` is in m or rad."""

    quantity: str
    is_angle: bool
    written: float
    factor: float


@dataclass(frozen=True)
class TapeWrong(Fact):
    """A taped value that the shots put elsewhere."""

    quantity: str
    is_angle: bool
    written: float
    shown: float


@dataclass(frozen=True)
class PosesExchanged(Fact):
    """The numbers of two poses, or only their readings."""

    first: str
    second: str
    readings_only: bool


@dataclass(frozen=True)
class ShotsExchanged(Fact):
    """Two shots of one target in two poses, by their ids."""

    first: str
    second: str


@dataclass(frozen=True)
class StandOfPose(Fact):
    """A pose labelled with one stand and taken at another."""

    pose: str
    label: str
    stand: str


@dataclass(frozen=True)
class LateLabel(Fact):
    """Poses from `first` to `last`; the machine moved earlier or later than the label says."""

    first: str
    last: str
    label: str
    stand: str
    earlier: bool


@dataclass(frozen=True)
class Moved(Fact):
    """The machine, between two poses of one label."""

    before: str
    after: str
    stand: str


@dataclass(frozen=True)
class Swung(Fact):
    """The house, counter-clockwise positive, between two poses of one label."""

    before: str
    after: str
    stand: str
    turn: float


@dataclass(frozen=True)
class ZeroShifted(Fact):
    """Of a reading, between two poses."""

    reading: str
    before: str
    after: str
    by: float


@dataclass(frozen=True)
class Gain(Fact):
    """A reading that runs too wide by the share `gain`, or too narrow where it is negative."""

    reading: str
    gain: float


@dataclass(frozen=True)
class Creeps(Fact):
    """A reading that shows `by` more in the last pose than it would have in the first."""

    reading: str
    by: float


@dataclass(frozen=True)
class FeelsApproach(Fact):
    """A reading that shows `by` more where its joint came up to the pose than where down."""

    reading: str
    by: float


@dataclass(frozen=True)
class HeldElsewhere(Fact):
    """A parameter that is `by` more than what it is held at; `unit` "m" or "deg"."""

    parameter: str
    unit: str
    by: float


@dataclass(frozen=True)
class SetUpOff(Fact):
    """All shots, of a set-up that is not as it is taken to be.

    `TILTED` (rise per m to the east and to the north), `TURNING` (clockwise, rad) or `DRIFTING`
    (east, north, up, m) from the first shot to the last.
    """

    what: str
    by: tuple[float, ...]


@dataclass(frozen=True)
class Scale(Fact):
    """Of all shots against the taped lengths."""

    factor: float


@dataclass(frozen=True)
class ShotsOf:
    """Shots at a target, or of the poses from `first` to `last`."""

    target: str | None = None
    first: str = ""
    last: str = ""


@dataclass(frozen=True)
class HeightsOff(Fact):
    """Heights of some shots are too large by `by`; `slip` if it is too little for a pole."""

    shots: ShotsOf
    by: float
    slip: bool


@dataclass(frozen=True)
class Settled(Fact):
    """The machine rose by `by` between two poses, or settled; `later` are the shots since."""

    before: str
    after: str
    by: float
    later: ShotsOf


@dataclass(frozen=True)
class OtherBucket(Fact):
    """Another edge in some poses; `differs` are parameters, their units and by how much."""

    where: Where
    differs: tuple[tuple[str, str, float], ...]


@dataclass(frozen=True)
class SingleValues(Fact):
    """Values that are wrong by themselves, named as for --set-aside."""

    names: tuple[str, ...]


@dataclass(frozen=True)
class Misbooked(Fact):
    """Shots of other targets or poses than they are booked as."""

    booked: tuple[Booked, ...]


@dataclass(frozen=True)
class Both(Fact):
    """Two things at once."""

    first: Fact
    second: Fact
