"""The tables of result.json that the solution gives."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

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


class Run(Record):
    files: dict[Text, Text]
    notices: list[Text]


class Rig(Record):
    name: Text
    title: Annotated[Text, Field(min_length=1)]
    definition: dict


class Parameter(Record):
    name: Text
    unit: Unit
    means: Text
    value: Number
    sd: Spread | None
    low95: Maybe
    high95: Maybe
    tape: Maybe
    tape_sd: Spread | None
    difference: Maybe
    z: Maybe
    status: Literal["estimated", "tape only", "held"]


class Derived(Record):
    name: Text
    unit: Unit
    means: Text
    value: Number
    sd: Spread


class Covariance(Record):
    names: list[Text]
    units: list[Unit]
    matrix: list[list[Number]]

    @model_validator(mode="after")
    def _square(self):
        n = len(self.names)
        if len(self.units) != n or [len(row) for row in self.matrix] != [n] * n:
            raise ValueError("as many names, units, rows and columns")
        if len(set(self.names)) < n:
            raise ValueError("each name once")
        for i, row in enumerate(self.matrix):
            if row[i] < 0:
                raise ValueError("variances of zero or more")
            if any(abs(row[j] - self.matrix[j][i]) > 1e-9 * (abs(row[j]) + 1e-9)
                   for j in range(i)):
                raise ValueError("a symmetric matrix")
        return self


class Correlation(Record):
    first: Text
    second: Text
    correlation: Number


class Placed(Record):
    name: Text
    east: Number
    north: Number
    up: Number
    sd: dict[Text, Spread]


class Stand(Placed):
    heading: Number


class SetUp(Placed):
    orientation: Number


class Pose(Record):
    pose: Text
    stand: Text
    readings: dict[Text, Number]
    joints: dict[Text, Number]
    edge_sd: Spread | None
    time: Text | None


class Shot(Record):
    shot: Text
    pose: Text
    target: Text
    residual: Axes
    miss: Axes
    w: Maybe
    redundancy: Maybe
    detectable: Unbounded
    suspect: Flag
    position: Axes
    house: House
    components: Components
    w_by_axis: Axes


class Reading(Record):
    pose: Text
    reading: Text
    correction: Number
    w: Maybe
    redundancy: Maybe
    detectable: Unbounded
    suspect: Flag


class Fit(Record):
    observations: Count
    shot_coordinates: Count
    tape_values: Count
    set_up_values: Count
    unknowns: Count
    dof: Count
    variance_factor: Spread | None
    chi2: Spread
    chi2_low: Spread | None
    chi2_high: Spread | None
    passed: Flag | None
    rms_3d: Spread
    rms_3d_miss: Spread
    condition: Unbounded

    @model_validator(mode="after")
    def _counted(self):
        if self.dof and self.variance_factor is None:
            raise ValueError("a variance factor where there are degrees of freedom")
        return self
