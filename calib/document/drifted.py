"""The document of a re-check: what has moved between two results."""

from typing import Annotated, Literal

from pydantic import Field

from calib.document.edge import SetupError
from calib.document.fields import Count, Flag, Maybe, MaybeSpread, Record, Unbounded, Unit


class CongruencyTest(Record):
    """Whether what the shots of both say is the same, the tape left out."""

    statistic: Unbounded
    limit: Unbounded
    rank: Count
    dof: Count
    p_value: Maybe
    omega: Unbounded
    pooled_variance_factor: Unbounded
    congruent: Flag
    same_precision: Flag = Field(description="both runs fit themselves alike")
    rest_statistic: Unbounded = Field(description="of what is not named as moved")
    rest_limit: Unbounded


class Moved(Record):
    """A quantity that has moved."""

    name: str
    unit: Literal["m", "deg", "%"]
    change: Maybe = Field(description="newer less older")
    sd: MaybeSpread
    statistic: Unbounded
    limit: Unbounded
    alternatives: list[str] = Field(description="what the shots cannot tell it from")
    says: str


class FailedGates(Record):
    """Gates that the results failed by themselves."""

    older: list[str]
    newer: list[str]


class DriftRow(Record):
    """A quantity as both have it, tape included."""

    name: str
    unit: Unit
    older: Maybe
    newer: Maybe
    difference: Maybe = Field(description="newer less older")
    sd: MaybeSpread
    z: Maybe = Field(description="difference in its sds")
    moved: Flag
    mark: Literal["moved", "differs", ""]


class DriftRecord(Record):
    """The whole of drift.json; m and deg."""

    schema_: Annotated[int, Field(strict=True)] = Field(alias="schema")
    older: str = Field(description="SHA-256 of its shots, or of the result")
    newer: str
    level: float
    test: CongruencyTest
    passed: Flag
    models: list[str] = Field(description="what the two model differently")
    otherwise: str | None = Field(description="how one describes the machine of the other")
    moved: list[Moved]
    failed_gates: FailedGates
    doubt: str | None
    remarks: list[str]
    rows: list[DriftRow]
    edge: SetupError | None = Field(description="with the older values in the newer machine")
    says: str
