"""The tables of result.json that judgement gives."""

from typing import Annotated

from pydantic import Field

from calib.document.values import (
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
    Unbounded,
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
    times: Unbounded
    sd: Unbounded
    low95: Unbounded
    high95: Unbounded
    redundancy: Maybe
    differs: Flag
    says: Text


class Trend(Record):
    name: Text
    slope: Unbounded
    sd: Unbounded
    unit: Text
    chi2: Unbounded
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
    predicted_rms_3d: Unbounded
    max_3d: Spread
    standardised_sd: Unbounded
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
    edge: Unbounded


class UndetectedTape(Record):
    quantity: Text
    edge: Unbounded


class Undetected(Record):
    shots: list[UndetectedShot]
    readings: list[dict[Text, Text | Unbounded]]
    tape: list[UndetectedTape]


class Correlated(Record):
    one: Text
    other: Text
    correlation: Number


class Identifiability(Record):
    singular_values: list[Unbounded]
    rank: Count
    condition: Unbounded
    o1: Unbounded
    o2: Unbounded
    o3: Unbounded
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
