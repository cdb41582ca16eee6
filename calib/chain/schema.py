"""The shape of a rig file, checked before anything is built from it."""

import datetime
from collections.abc import Iterable
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    model_validator,
)

from calib.chain.chain import Target
from calib.chain.length import EXPECTED, metres

# Strict: neither true nor "0.05" is a number, and "no" is not false.
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, gt=0, allow_inf_nan=False)]
Flag = Annotated[bool, Field(strict=True)]
NotNegative = Annotated[float, Field(strict=True, ge=0, allow_inf_nan=False)]
Unit = Literal["m", "deg"]


def _no_flag(value: Any) -> Any:
    if isinstance(value, bool):  # true is 1 to Python
        raise ValueError("1 or -1")
    return value


Sign = Annotated[Literal[1, -1], BeforeValidator(_no_flag)]

#: Of a parameter that is estimated only in runs whose shots depend on it.
UNTIL_SHOT = "until shot"

#: A goal or tolerance beyond this is a slip of the unit, m.
MOST_LENGTH = 1.0

#: Of an entry about the job: it stands at the head of a page.
MOST_CHARACTERS = 300


def _length(value: Any) -> str:
    """Stays the text that was written: a rig's definition is read again."""
    if not isinstance(value, str) or metres(value) > MOST_LENGTH:
        raise ValueError(f"{EXPECTED}, and no more than {MOST_LENGTH:g} m")
    return value


Length = Annotated[str, BeforeValidator(_length)]


def _held(value: Any) -> Any:
    if not isinstance(value, bool) and value != UNTIL_SHOT:
        raise ValueError(f'true, false or "{UNTIL_SHOT}"')
    return value


Ways = Annotated[list[Literal["pole", "reflectorless", "prism"]], Field(min_length=1)]
Held = Annotated[bool | str, BeforeValidator(_held)]


#: What is wrong in a rig file: key path such as ``readings.sd.boom``, text found, expected.
Problem = tuple[str, str, str]


class Unusable(Exception):
    """A description that cannot be used.

    Attributes
    ----------
    problems : list of Problem
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = list(problems)
        super().__init__(
            "; ".join(f"{key}: found {found}, expected {expected}"
                      for key, found, expected in self.problems)
        )


class RigError(Unusable):
    """A rig description that cannot be used."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", defer_build=True)


class VaryingEntry(_Strict):
    by: Annotated[dict[str, Number], Field(min_length=1)]
    times: Literal["cosine of joint", "sine of joint", "cosine of inclination",
                   "sine of inclination", "pose column", "horizontal distance"]
    of: str
    to: str | None = None


class MotionEntry(_Strict):
    translate: Literal["x", "y", "z"] | None = None
    rotate: Literal["x", "y", "z"] | None = None
    by: dict[str, Number] = {}
    plus: Number = 0.0
    varying: Annotated[list[VaryingEntry], Field(min_length=1)] | None = None
    joint: str | None = None
    sense: Sign = 1
    frame: str | None = None
    before: str | None = None
    after: str | None = None
    at: str | None = None
    #: Where it is in the user's own list, if it was put into a template.
    _index: int | None = PrivateAttr(None)

    def written_at(self, index: int) -> "MotionEntry":
        """The same, remembering its place in the list that it was written in."""
        copy = self.model_copy()
        copy._index = index
        return copy

    @property
    def index(self) -> int | None:
        """Its place in the list of a rig file that adds to a template; None elsewhere."""
        return self._index

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        if (self.translate is None) == (self.rotate is None):
            raise ValueError('either "translate" or "rotate", with an axis "x", "y" or "z"')
        if self.joint is not None and self.rotate is None:
            raise ValueError('a "joint" only in a motion that rotates')
        return self


class ParameterEntry(_Strict):
    unit: Unit
    start: Number
    least: Number | None = None
    most: Number | None = None
    held: Held = False
    tape_sd: Positive | None = None
    near: Flag = False
    means: str


class SensorEntry(_Strict):
    kind: Literal["joint", "stroke", "slew", "in_boom_plane", "across"]
    zero: str | None = None
    varying: dict[str, str] | None = None
    through: Literal["four_bar", "triangle"] | None = None
    uses: dict[str, str] | None = None
    branch: Sign | None = None
    direction: Sign = 1
    optional: Flag = False
    means: str


class PoseColumnEntry(_Strict):
    words: Annotated[dict[str, Number], Field(min_length=2)]
    on_ground: list[str] = []
    means: str


class TargetEntry(_Strict):
    frame: str
    motions: list[MotionEntry] = []
    shot_by: Ways | None = None
    means: str


class MarkEntry(_Strict):
    on: str
    near: tuple[Number, Number, Number] = (0.0, 0.0, 0.0)
    sd: Positive | None = None
    shot_by: Ways | None = None


class DerivedEntry(_Strict):
    measure: Literal["distance", "ahead", "left", "above", "bearing"]
    start: str
    end: str
    means: str


class ReachEntry(_Strict):
    name: str
    joints: dict[str, Number]


class EnvelopeEntry(_Strict):
    target: str
    sweep: dict[str, tuple[Number, Number, Annotated[int, Field(strict=True, ge=2, le=200)]]]
    reaches: Annotated[list[ReachEntry], Field(min_length=1)]


class ShotSdEntry(_Strict):
    east: Positive | None = None
    north: Positive | None = None
    up: Positive | None = None
    horizontal: Positive | None = None
    vertical: Positive | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        given = {axis for axis, sd in self if sd is not None}  # JSON may hold null
        if given not in ({"east", "north", "up"}, {"horizontal", "vertical"}):
            raise ValueError("either east, north and up, or horizontal and vertical")
        return self


class ShotsEntry(_Strict):
    sd: ShotSdEntry


class ReadingsEntry(_Strict):
    sd: dict[str, Positive] = {}
    direction: dict[str, Sign] = {}


class GoalEntry(_Strict):
    edge: Length


def _line(value: Any) -> Any:
    """A date as TOML has it stays as it was written."""
    if isinstance(value, datetime.date):
        return value.isoformat()
    if not isinstance(value, str) or not value.strip() or len(value) > MOST_CHARACTERS:
        raise ValueError(f"text in quotes, at most {MOST_CHARACTERS} characters")
    return value.strip()


Line = Annotated[str, BeforeValidator(_line)]


class JobEntry(_Strict):
    """What a reader must know of the job, none of which enters any number."""

    machine: Line | None = None
    serial: Line | None = None
    attachment: Line | None = None
    place: Line | None = None
    date: Line | None = None
    by: Line | None = None
    instrument: Line | None = None
    notes: Line | None = None


class CheckEntry(_Strict):
    tolerance: Length


class Effort(_Strict):
    """How long things take in the field, minutes (common practice, no source)."""

    settle: NotNegative = 1.5  #: To drive up to a pose, let the machine settle, and read and book.
    walk: NotNegative = 0.35  #: To reach a target that needs a hand on it.
    point: NotNegative = 0.25  #: To point at any target and shoot it.
    stand: NotNegative = 15.0  #: To move the machine to another stand.
    #: What a shot of these takes, in place of walk and point.
    targets: dict[str, NotNegative] = {}

    def of_shot(self, target: Target) -> float:
        """Minutes for a shot of a target."""
        return self.targets.get(target.name, self.point + (0 if target.pointed_at else self.walk))


class RigEntry(_Strict):
    """A whole rig file: a template with changes, or a chain of its own."""

    template: str | None = None
    name: str | None = None
    title: str | None = None
    free: list[str] = []
    hold: list[str] = []
    effects: list[str] = []
    values: dict[str, Number] = {}
    ranges: dict[str, tuple[Number, Number]] = {}
    shots: ShotsEntry | None = None
    readings: ReadingsEntry = ReadingsEntry()
    goal: GoalEntry | None = None
    job: JobEntry | None = None
    check: CheckEntry | None = None
    limits: dict[str, tuple[Number, Number]] = {}
    speeds: dict[str, Positive] = {}
    parameters: dict[str, ParameterEntry] = {}
    sensors: dict[str, SensorEntry] = {}
    pose_columns: dict[str, PoseColumnEntry] = {}
    motions: list[MotionEntry] = []
    targets: dict[str, TargetEntry] = {}
    marks: dict[str, MarkEntry] = {}
    derived: dict[str, DerivedEntry] = {}
    envelope: EnvelopeEntry | None = None
    effort: Effort | None = None


def in_words(error: Any) -> tuple[str, str]:
    """Found and expected of one schema error, without the schema's own vocabulary."""
    kind, limits = error["type"], error.get("ctx", {})
    if kind == "missing":
        return "nothing", "a value"
    expected = {
        "extra_forbidden": "a key this file knows",
        "float_type": "a number",
        "finite_number": "a finite number",
        "greater_than": f"a number above {limits.get('gt', 0):g}",
        "greater_than_equal": f"a number of {limits.get('ge', 0):g} or more",
        "less_than_equal": f"a number of {limits.get('le', 0):g} or less",
        "int_type": "a whole number",
        "int_from_float": "a whole number",
        "bool_type": "true or false",
        "too_short": f"{limits.get('min_length')} or more in the list",
        "too_long": f"{limits.get('max_length')} in the list",
        "string_type": "text in quotes",
        "list_type": "a list in square brackets",
        "tuple_type": "a list in square brackets",
        "dict_type": "a table of keys",
        "model_type": "a table of keys",
    }.get(kind, error["msg"].removeprefix("Value error, ").removeprefix("Input should be "))
    return repr(error["input"]), expected
