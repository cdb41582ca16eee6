"""What a crew declares about its files: options of the command, or a profile kept as TOML."""

import re
from collections.abc import Sequence
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from calib.intake.files.columns import parse_order
from calib.intake.files.field_units import parse_unit
from calib.intake.files.ids import IdPattern
from calib.intake.files.times import ISO, TimeFormat, parse_zone
from calib.intake.geometry.polar import InstrumentSds
from calib.run.complaints import Complaint, Findings, InputError, quote
from calib.run.text import Dialect, decode
from calib.run.toml import parsed_toml

PROFILE = "import.toml"
"""In a run folder: what was declared of its files, for the next import into it."""

_DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "space": " "}
_DECIMALS = {"point": ".", "comma": ","}
_ANGLE_SD = {"arcsec": np.pi / 648000, '"': np.pi / 648000, "mgon": np.pi / 200000,
             "deg": np.pi / 180}
_LENGTH_SD = {"mm": 1e-3, "m": 1.0}
SOLVED = "solved"
"""As the sd of set-ups: they are found from sights to known points."""

_WORST_ANGLE, _WORST_LENGTH, _WORST_PPM = np.radians(0.1), 0.1, 100.0
"""Sds beyond which a unit was mistyped: common practice, no source."""


PERSON = "2 mm"
"""What the person and the pole add to a pointing, each axis, where nothing is stated of them: with
the 2 mm of a usual distance as good as the 3 mm of a shot in a new rig file. Common practice, no
source."""

_PROFILE = "a profile as --save-profile writes it"


class DeclarationError(Exception):
    """What was declared cannot be used, or something needed was not declared.

    Attributes
    ----------
    problems : tuple of str
        A sentence each.
    """

    def __init__(self, problems: Sequence[str]):
        self.problems = tuple(problems)
        super().__init__("\n".join(self.problems))


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def _number(value: Any, told: ValidationInfo) -> Any:
    """Options are texts; in a file a number is written as one. True is 1 to Python, and to nobody.
    """
    if isinstance(value, bool) or (isinstance(value, str) and told.context is not None):
        raise ValueError("it should be a number")
    return value


Number = Annotated[float, BeforeValidator(_number)]


class Instrument(_Strict):
    """Standard deviations of the total station, as text with units.

    `angles` states direction and zenith in one. Where neither `centring` nor `pointing` nor
    `target_height` is stated, pointing is `PERSON`.
    """

    direction: str
    zenith: str
    distance: str
    centring: str = "0 mm"
    pointing: str = "0 mm"
    target_height: str = "0 mm"

    @property
    def silent(self) -> bool:
        """Whether nothing is stated of what the person and the pole add."""
        return not self.model_fields_set & {"centring", "pointing", "target_height"}

    def sds(self) -> InstrumentSds:
        """In rad and m."""
        a, ppm = _distance_sd(self.distance)
        return InstrumentSds(
            direction=_sd(self.direction, _ANGLE_SD), zenith=_sd(self.zenith, _ANGLE_SD),
            distance=a, distance_ppm=ppm, centring=_sd(self.centring, _LENGTH_SD),
            pointing=_sd(PERSON if self.silent else self.pointing, _LENGTH_SD),
            target_height=_sd(self.target_height, _LENGTH_SD),
        )

    @model_validator(mode="before")
    @classmethod
    def _of_both(cls, given):
        if not isinstance(given, dict) or "angles" not in given:
            return given
        both = {name: given["angles"] for name in ("direction", "zenith")}
        return {**both, **{k: v for k, v in given.items() if k != "angles"}}

    @model_validator(mode="after")
    def _readable(self):
        sds = self.sds()
        if not (sds.direction > 0 and sds.zenith > 0 and sds.distance > 0):
            raise ValueError("the sds of direction, zenith and distance must be above zero")
        lengths = (sds.distance, sds.centring, sds.pointing, sds.target_height)
        if max(sds.direction, sds.zenith) > _WORST_ANGLE or max(lengths) > _WORST_LENGTH \
                or sds.distance_ppm > _WORST_PPM:
            raise ValueError("no instrument is so bad: sds of angles up to 0.1 deg, of lengths up "
                             "to 0.1 m, up to 100 ppm")
        return self


class LogDeclaration(_Strict):
    """How the sensors' log is written and used; `readings` also has what it calls the "time"."""

    readings: dict[str, str] = Field(default_factory=dict)
    time_format: str = ISO
    time_zone: str | None = None
    window: Number = Field(default=2.0, gt=0, le=600)
    clock_offset: Number | Literal["estimate"] = 0.0
    still: Number = Field(default=0.1, gt=0, le=10)
    moving: Literal["refuse", "flag"] = "refuse"

    @model_validator(mode="after")
    def _readable(self):
        self.times()
        return self

    def times(self) -> TimeFormat:
        return _times(self.time_format, self.time_zone)


class Declaration(_Strict):
    """All that was declared. None: not declared."""

    order: str | None = None
    delimiter: Literal["comma", "semicolon", "tab", "space"] | None = None
    decimal: Literal["point", "comma"] | None = None
    unit: Annotated[str, AfterValidator(parse_unit)] | None = None
    frame: Literal["ground", "grid", "geographic"] | None = None
    factor: Number | None = Field(default=None, gt=0.9, lt=1.1)
    about: tuple[Number, Number] | None = None
    origin: tuple[Number, Number, Number] | None = None
    east_north: Literal["as-written", "exchanged"] | None = None
    pole: Number | Literal["applied", "column"] | None = None
    ids: str | None = None
    ids_in: Literal["point", "description", "both"] = "point"
    targets: dict[str, str] = Field(default_factory=dict)
    others: Literal["refuse", "leave-out"] = "refuse"
    repeats: Literal["refuse", "pool", "keep", "last"] = "refuse"
    stand: str | None = None
    moved_before: tuple[str, ...] = ()
    angles: Literal["deg", "dms", "packed-dms", "gon"] | None = None
    time_format: str = ISO
    time_zone: str | None = None
    instrument: Instrument | None = None
    setup_sd: str | None = None
    log: LogDeclaration = Field(default_factory=LogDeclaration)

    @field_validator("order")
    @classmethod
    def _order(cls, value):
        if value is not None:
            parse_order(value)
        return value

    @field_validator("origin")
    @classmethod
    def _on_earth(cls, value):
        if value is not None and not (abs(value[0]) <= 90 and -180 <= value[1] <= 360):
            raise ValueError("a latitude from -90 to 90, then a longitude from -180 to 360, then a "
                             "height (latitude and longitude exchanged?)")
        return value

    @model_validator(mode="after")
    def _fits(self):
        if self.ids is not None:
            IdPattern(self.ids, self.targets)
        if (self.delimiter is None) != (self.decimal is None):
            raise ValueError("delimiter and decimal mark go together: declare both or neither")
        self.times()
        self.setup_sds()
        return self

    def dialect(self) -> Dialect | None:
        if self.delimiter is None or self.decimal is None:
            return None
        return Dialect(_DELIMITERS[self.delimiter], _DECIMALS[self.decimal])

    def columns(self) -> tuple[str, ...] | None:
        return None if self.order is None else parse_order(self.order)

    def times(self) -> TimeFormat:
        return _times(self.time_format, self.time_zone)

    def setup_sds(self) -> tuple[float, float] | None:
        """Of what is known of set-ups without an sd of its own, m and rad; NaN: to be solved."""
        if self.setup_sd in (None, SOLVED):
            return None if self.setup_sd is None else (np.nan, np.nan)
        at, comma, turned = _decimal_points(self.setup_sd).partition(",")
        return _sd(at, _LENGTH_SD), _sd(turned, _ANGLE_SD) if comma else np.nan

    @property
    def length_unit(self) -> str:
        """The unit of lengths, once it is known to be declared (see `lacks`)."""
        assert self.unit is not None
        return self.unit

    @property
    def angle_unit(self) -> str:
        """The unit of angles, of raw observations."""
        assert self.angles is not None
        return self.angles

    def lacks(self) -> list[str]:
        """What must be declared and was not, a sentence each."""
        on_grid, raw = self.frame == "grid", bool(self.angles)
        return [sentence for lacking, sentence in (
            (self.unit is None, "the unit of lengths is not declared: --unit m, mm, ft-int "
             "(0.3048 m) or ft-us (1200/3937 m)"),
            (self.frame is None, "say whether coordinates are on the ground or on a map grid: "
             "--frame ground, or --frame grid with --factor (the combined scale factor), or "
             "--frame geographic"),
            (on_grid and self.factor is None, "--frame grid needs --factor: grid distance over "
             "ground distance, such as 0.99962 (leaving out 400 ppm makes 12 m wrong by 4.8 mm)"),
            (not on_grid and (self.factor is not None or self.about is not None),
             "--factor and --about belong to --frame grid"),
            (self.frame != "geographic" and self.origin is not None,
             "--origin belongs to --frame geographic"),
            (self.pole is None, "say whether the pole or prism height is off the heights already: "
             "--pole applied, --pole column (take off what the file's column says), or --pole "
             "HEIGHT (to take off, in the unit of the file)"),
            (raw and self.instrument is None, "raw observations need the instrument's standard "
             'deviations: --instrument "5 arcsec, 2 mm + 2 ppm", and perhaps pointing=1 mm, '
             "centring, target_height"),
            (raw and self.frame == "geographic", "raw observations cannot be geographic"),
        ) if lacking]


def declare(given: dict, profile: "Declaration | None" = None, file: str | None = None
            ) -> Declaration:
    """A declaration from what was given, on top of a profile.

    Parameters
    ----------
    given : dict
        Fields that were stated; tables (targets, log, instrument) are merged with the profile's.
    file : str, optional
        Where they were stated; numbers are no texts there.

    Raises
    ------
    DeclarationError
        With every problem.
    """
    base = {} if profile is None else profile.model_dump(exclude_unset=True)
    try:
        return Declaration.model_validate(
            _merged(base, given), context=None if file is None else {"file": file})
    except ValidationError as error:
        raise DeclarationError([_sentence(e) for e in error.errors()]) from None


def read_profile(data: bytes, file: str) -> Declaration:
    """A profile from TOML.

    Raises
    ------
    InputError
    """
    findings = Findings()
    text = decode(data, file, findings)
    if text is not None and findings.notices:
        findings.complain(file, None, None, "bytes that are not UTF-8", _PROFILE)
    content = None if text is None else parsed_toml(text, file, findings)
    try:
        return declare(findings.sound(content), file=file)
    except DeclarationError as error:
        raise InputError([Complaint(file, None, None, problem, _PROFILE)
                          for problem in error.problems]) from None


def profile_toml(declaration: Declaration) -> str:
    """The profile that says the same, as TOML.

    Examples
    --------
    >>> print(profile_toml(declare({"unit": "m", "targets": {"left": "edge_left"}})), end="")
    # Profile for calib import: what this crew's files are like.
    unit = "m"
    <BLANKLINE>
    [targets]
    left = "edge_left"
    """
    import tomlkit

    return ("# Profile for calib import: what this crew's files are like.\n"
            + tomlkit.dumps(declaration.model_dump(exclude_unset=True, exclude_none=True)))


def _merged(base, given):
    out = dict(base)
    for key, value in given.items():
        both = isinstance(value, dict) and isinstance(out.get(key), dict)
        out[key] = _merged(out[key], value) if both else value
    return out


def _sentence(error):
    where = ".".join(str(p) for p in error["loc"]
                     if not str(p).startswith(("function-", "literal[", "float", "constrained")))
    message = error["msg"].removeprefix("Value error, ")
    if error["type"] == "extra_forbidden":
        return f"{where} is nothing that can be declared"
    table = isinstance(error["input"], dict | BaseModel)
    found = "" if table else f", not {quote(str(error['input']))}"
    if error["type"] == "value_error":
        return f"{where}: {message}" if where else message
    return f"{where}: {message[:1].lower()}{message[1:]}{found}"


def _times(pattern, zone):
    return TimeFormat(pattern, None if zone is None else parse_zone(zone))


def _decimal_points(text):
    """A comma between digits is a decimal comma."""
    return re.sub(r"(?<=[0-9]),(?=[0-9])", ".", text)


def _sd(text, units):
    match = re.fullmatch(r"\s*([0-9]*\.?[0-9]+)\s*([a-z\"]+)\s*", _decimal_points(text))
    if not match or match[2] not in units:
        raise ValueError(f'"{text}" is no standard deviation; write a number and '
                         + ", ".join(units))
    return float(match[1]) * units[match[2]]


def _distance_sd(text):
    """a in m and b in ppm of "2 mm + 2 ppm"."""
    first, plus, second = text.partition("+")
    ppm = 0.0
    if plus:
        match = re.fullmatch(r"\s*([0-9]*\.?[0-9]+)\s*ppm\s*", _decimal_points(second))
        if not match:
            raise ValueError(f'"{text}" is no standard deviation of a distance; write it like '
                             "2 mm + 2 ppm")
        ppm = float(match[1])
    return _sd(first, _LENGTH_SD), ppm

