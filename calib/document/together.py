"""The document of runs that were adjusted in one go."""

from typing import Annotated, Literal

from pydantic import Field

from calib.document.fields import (
    Count,
    Flag,
    Maybe,
    Record,
    Spread,
    Statistic,
    Text,
    Unbounded,
    Unit,
)
from calib.document.solved import Covariance, Job


class Alone(Record):
    """What one run alone makes of a quantity."""

    run: Text
    value: Maybe
    sd: Spread | None


class Quantity(Record):
    """An unknown of the machine."""

    name: Text = Field(description="parameter and, where it is not shared by all, whose")
    parameter: Text
    unit: Unit
    means: Text
    scope: Text
    instance: Text = Field(description="attachment, day or mounting; empty where all share it")
    value: Maybe
    sd: Spread | None = Field(description="a-priori; null where held")
    runs: list[Text] = Field(description="that have it")
    alone: list[Alone] = Field(description="the runs that can be solved by themselves")


class OneRun(Record):
    """A run that took part."""

    name: Text
    attachment: Text
    day: Text
    job: Job = Field(default_factory=Job, description="as the run states it")
    remounted: list[Text]
    set_aside: list[Text]
    files: dict[Text, Text] = Field(description="SHA-256 of each file of the run")
    shots: Count
    poses: Count
    variance_factor: Annotated[Statistic, Field(ge=0)] | None = Field(
        description="of the run by itself, the tape left out; null without redundancy")
    dof: int
    result: Text | None = Field(description="folder of its result; null if it has none")
    failed: list[Text] = Field(description="gates that its result failed")
    note: Text = Field(description="why there is no result")


class Difference(Record):
    """Something that the runs do not share."""

    name: Text
    unit: Literal["m", "deg", "%"]
    where: Literal["run", "since", "attachment"]
    of: Text = Field(description="the run, the first of several, or the attachment")
    change: Maybe = Field(description="there, less elsewhere")
    sd: Spread | None
    statistic: Unbounded
    limit: Unbounded
    alternatives: list[Text]
    says: Text
    do: Text = Field(description="how to split it")


class SharingTest(Record):
    """Whether sharing was justified: congruency of what the shots of all runs say."""

    level: float
    statistic: Unbounded = Field(description="F; null if nothing is told by several runs")
    limit: Unbounded
    p_value: Maybe
    rank: Count
    dof: Count
    pooled_variance_factor: Unbounded
    justified: Flag
    same_precision: Flag
    explained: Flag = Field(description="whether the differences found leave only chance")
    differences: list[Difference]


class Over(Record):
    """A quantity run by run, everything else as it is shared."""

    name: Text
    unit: Unit
    value: Maybe = Field(description="as shared")
    sd: Spread | None
    runs: list[Text]
    values: list[Maybe]
    sds: list[Spread | None]


class TogetherRecord(Record):
    """The whole of together.json; m and deg."""

    schema_: Annotated[int, Field(strict=True)] = Field(alias="schema")
    calib: Text
    runs: list[OneRun] = Field(description="in the order of time")
    quantities: list[Quantity]
    covariance: Covariance = Field(description="of all that is not held, across runs")
    chi2: Statistic
    dof: Count
    variance_factor: Annotated[Statistic, Field(ge=0)] | None
    sharing: SharingTest
    over_time: list[Over]
    passed: Flag
    says: Text
