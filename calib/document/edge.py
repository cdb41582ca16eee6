"""The tables of result.json about the edge and the tape."""

from typing import Annotated

from pydantic import Field, model_validator

from calib.document.fields import (
    Count,
    Flag,
    House,
    Maybe,
    MaybeSpread,
    Number,
    Record,
    Spread,
    Statistic,
    Text,
    Unbounded,
    Unit,
)


class Axis(Record):
    """A reading that is swept."""

    reading: Text
    values: Annotated[list[Number], Field(min_length=1)] = Field(description="deg")


class Reach(Record):
    """A named reach."""

    name: Text
    joints: dict[Text, Number] = Field(description="deg")


class Summary(Record):
    """Over the envelope, m."""

    worst: Unbounded = Field(description="largest")
    rms: Unbounded = Field(description="root mean square")
    p95: Unbounded = Field(description="95 % of it is below")


class Envelope(Record):
    """The grid that edge maps are drawn over; the last axis runs fastest."""

    points: list[Text] = Field(description="targets of the edge")
    axes: list[Axis]
    reaches: Annotated[list[Reach], Field(min_length=1)]

    def nodes(self) -> int:
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
    """How well the edge is known: calibration alone, readings exact."""

    sd: list[list[Unbounded]] = Field(
        description="per reach and posture the worst of the points, m")
    summary: Summary

    @model_validator(mode="after")
    def _whole(self):
        return self._fits(self.sd)


class WorstAt(Record):
    """Where an edge error is largest."""

    point: Text
    reach: Text = Field(description="name of the reach")
    joints: dict[Text, Number] = Field(description="deg")
    error: House = Field(description="m")


class Share(Record):
    """What one wrong value does at the edge."""

    name: Text
    share: Unbounded = Field(description="of the mean square")
    alone: Unbounded = Field(description="rms, m")


class SetupError(Envelope):
    """What the edge is off by with other values entered."""

    error: list[list[Unbounded]] = Field(
        description="per reach and posture the worst of the points, m")
    summary: Summary
    worst_sd: Unbounded = Field(description="m")
    worst_low95: Unbounded = Field(description="m")
    worst_high95: Unbounded = Field(description="m")
    worst_at: WorstAt
    shares: list[Share]

    @model_validator(mode="after")
    def _whole(self):
        if {axis.reading for axis in self.axes} - self.worst_at.joints.keys():
            raise ValueError("a joint angle for every axis where the error is largest")
        return self._fits(self.error)


class TapedRow(Record):
    """A taped value against the solved."""

    quantity: Text
    unit: Unit
    tape: Number = Field(description="taped value")
    tape_sd: Spread = Field(description="of that")
    solved: Number = Field(description="solved value")
    solved_sd: MaybeSpread = Field(description="of that")
    difference: Maybe = Field(description="solved less tape")
    difference_sd: MaybeSpread = Field(description="of the difference")
    z: Maybe = Field(description="of the solution without this value")
    used: Flag = Field(description="it took part in the solution")
    without: Maybe = Field(description="solved without this value")
    without_sd: MaybeSpread = Field(description="of without")
    significant: Flag


class Joint(Record):
    """All taped values together."""

    chi2: Statistic
    dof: Count
    limit: Maybe = Field(description="of chi2")


class Taped(Record):
    """Taped against solved."""

    level: Number = Field(description="of each test")
    limit: Number = Field(description="of z")
    rows: list[TapedRow]
    joint: Joint
    edge: SetupError
    good_enough: Flag | None = Field(None, description="the edge error keeps the goal: at the "
                                     "upper end of its 95 %, not even at the lower, or null "
                                     "between the two and where some are not taped")
    not_taped: list[Text] = Field(description="solved values that move the edge, without a taped "
                                  "one: taken as solved in edge")
