"""The tables of result.json that judgement gives."""

from typing import Annotated

from pydantic import Field

from calib.document.values import (
    Any,
    Axes,
    Components,
    Count,
    Flag,
    House,
    Maybe,
    Number,
    Record,
    Spread,
    Text,
    Unit,
)


class Suspect(Record):
    kind: Text
    name: Text
    statistic: Number
    dof: Count
    limit: Number
    chance: Maybe
    beyond_chance: Flag
    says: Text


class Tests(Record):
    alpha: Number
    power: Number
    w: Number
    delta0: Number


class Effect(Record):
    name: Text
    unit: Unit
    with_: Maybe = Field(alias="with")
    without: Maybe
    sd_without: Spread | None
    in_sd: Maybe


class WithoutSuspects(Record):
    without: list[Text]
    parameters: Annotated[list[Effect], Field(min_length=1)]
    variance_factor: Spread | None
    dof: Count


class Aside(Record):
    name: Text
    reason: Text


class AsideShot(Record):
    shot: Text
    pose: Text
    miss: Axes
    sd: Axes
    position: Axes
    house: House
    components: Components


class SetAside(Record):
    choice: Text
    values: list[Aside]
    shots: list[AsideShot]
    effect: list[Effect] | None


class Noise(Record):
    name: Text
    times: Any
    sd: Any
    low95: Any
    high95: Any
    redundancy: Maybe
    differs: Flag
    says: Text


class Trend(Record):
    name: Text
    slope: Any
    sd: Any
    unit: Text
    chi2: Any
    dof: Count
    chance: Maybe
    significant: Flag
    says: Text


class Missed(Record):
    shot: Text
    miss: Axes
    sd: Axes


class HeldOut(Record):
    count: Count
    folds: Count
    missing_poses: list[Text]
    rms_3d: Spread
    predicted_rms_3d: Any
    max_3d: Spread
    standardised_sd: Any
    passed: Flag | None
    shots: list[Missed]


class Checked(Missed):
    pose: Text
    target: Text
    chi2: Number


class Check(Record):
    count: Count
    rms_3d: Spread
    max_3d: Spread
    tolerance: Spread
    passed: Flag
    shots: list[Checked]


class UndetectedShot(Record):
    shot: Text
    edge: Any


class UndetectedTape(Record):
    quantity: Text
    edge: Any


class Undetected(Record):
    shots: list[UndetectedShot]
    readings: list[dict[Text, Text | Any]]
    tape: list[UndetectedTape]


class Correlated(Record):
    one: Text
    other: Text
    correlation: Number


class Identifiability(Record):
    singular_values: list[Any]
    rank: Count
    condition: Any
    o1: Any
    o2: Any
    o3: Any
    correlated: list[Correlated]


class Weak(Record):
    parameters: dict[Text, Number]
    says: Text


class Gate(Record):
    name: Text
    passed: Flag
    says: Text


class Verdict(Record):
    says: Text
    passed: Flag
    gates: list[Gate]
    reasons: list[Text]
