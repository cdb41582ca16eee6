"""The tables of result.json about the edge and the tape."""

from typing import Annotated

from pydantic import Field, model_validator

from calib.document.values import (
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


class Axis(Record):
    reading: Text
    values: Annotated[list[Number], Field(min_length=1)]


class Reach(Record):
    name: Text
    joints: dict[Text, Number]


class Summary(Record):
    worst: Unbounded
    rms: Unbounded
    p95: Unbounded


class Envelope(Record):
    points: list[Text]
    axes: list[Axis]
    reaches: Annotated[list[Reach], Field(min_length=1)]
    summary: Summary

    def nodes(self):
        """How many postures a reach has."""
        count = 1
        for axis in self.axes:
            count *= len(axis.values)
        return count

    def _fits(self, map_):
        if [len(row) for row in map_] != [self.nodes()] * len(self.reaches):
            raise ValueError("one value per reach and posture")
        return self


class Edge(Envelope):
    sd: list[list[Unbounded]]

    @model_validator(mode="after")
    def _whole(self):
        return self._fits(self.sd)


class WorstAt(Record):
    point: Text
    reach: Text
    joints: dict[Text, Number]
    error: House


class Share(Record):
    name: Text
    share: Unbounded
    alone: Unbounded


class TapedEdge(Envelope):
    error: list[list[Unbounded]]
    worst_sd: Unbounded
    worst_at: WorstAt
    shares: list[Share]

    @model_validator(mode="after")
    def _whole(self):
        return self._fits(self.error)


class TapedRow(Record):
    quantity: Text
    unit: Unit
    tape: Number
    tape_sd: Spread
    solved: Number
    solved_sd: Maybe
    difference: Number
    difference_sd: Maybe
    z: Maybe
    used: Flag
    without: Maybe
    without_sd: Maybe
    significant: Flag


class Joint(Record):
    chi2: Number
    dof: Count
    limit: Maybe


class Taped(Record):
    level: Number
    limit: Number
    rows: list[TapedRow]
    joint: Joint
    edge: TapedEdge
    not_taped: list[Text]
