"""The document of a fleet: many runs at a glance."""

from typing import Annotated

from pydantic import Field

from calib.document.fields import Count, Maybe, Record, Spread, Text, Unit
from calib.document.solved import Job


class Histogram(Record):
    """How many runs lie between which values."""

    edges: list[float]
    counts: list[Count] = Field(description="one per pair of edges")
    below: Count = Field(description="runs further down than the first edge")
    above: Count


class FleetParameter(Record):
    """A parameter over all runs that solved it and in which no gate failed."""

    name: Text
    unit: Unit
    runs: Count
    taped: Count = Field(description="of these, with a tape")
    median_difference: Maybe = Field(description="solved less taped, unit of the row")
    spread: Spread | None = Field(description="half of what holds 68 % of the differences")
    beyond: Count = Field(description="differences beyond three of their sds")
    differences: Histogram | None


class FleetRun(Record):
    """A run of those that want looking at."""

    run: Text
    job: Job = Field(default_factory=Job)
    fingerprint: Text = Field("", description="of its result; empty where it has none")
    status: Text
    variance_factor: Maybe
    edge95: Maybe = Field(description="m")
    says: Text = Field(description="what it failed, or why it has no result")
    report: Text | None = Field(description="from where the page lies; null where none is drawn")


class FleetRecord(Record):
    """All runs below a folder."""

    schema_: Annotated[int, Field(strict=True)] = Field(alias="schema")
    calib: Text
    runs: Count
    states: dict[Text, Count] = Field(description="what became of how many, the worst first")
    variance_factors: Histogram | None = Field(description="edges are logarithms to base 10")
    parameters: list[FleetParameter]
    worst: list[FleetRun] = Field(description="the worst first; not all runs")
    seconds: Spread = Field(description="of a processor, per run that was solved, on average")
    bytes_per_run: Spread
    most_megabytes: Spread = Field(description="of memory that a worker took")
