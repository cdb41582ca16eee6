"""The tables of result.json that the solution gives."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from calib.document.fields import (
    Axes,
    Components,
    Count,
    Flag,
    House,
    Maybe,
    Number,
    Record,
    Spread,
    Statistic,
    Text,
    Unbounded,
    Unit,
    Vector,
)


class Run(Record):
    """What was read."""

    files: dict[Text, Text] = Field(description="SHA-256 of each file of the run")
    notices: list[Text] = Field(description="what the reader remarked")


class Job(Record):
    """What rig.toml states of the job; null where it does not."""

    machine: Text | None = Field(None, description="name of the machine")
    serial: Text | None = Field(None, description="serial number")
    attachment: Text | None = Field(None, description="what hangs on the coupler")
    place: Text | None = Field(None, description="where it was shot")
    date: Text | None = Field(None, description="when, as written")
    by: Text | None = Field(None, description="who measured")
    instrument: Text | None = Field(None, description="what it was shot with")
    notes: Text | None = Field(None, description="as written")


class Rig(Record):
    """The rig that was solved."""

    name: Text
    title: Annotated[Text, Field(min_length=1)]
    definition: dict = Field(description="the rig file as it was understood, units of the file")


class Parameter(Record):
    """A parameter of the rig."""

    name: Text
    unit: Unit = Field(description="of all values of this row")
    means: Text = Field(description="what it is, and which way is positive")
    value: Number
    sd: Spread | None = Field(description="a-priori, one standard deviation; null where held")
    low95: Maybe = Field(description="lower end of 95 %")
    high95: Maybe = Field(description="upper end of 95 %")
    interval: Literal["linear", "likelihood"] = Field(
        "linear", description="whose ends: 1.96 sd, or the likelihood's where that is wrong")
    tape: Maybe = Field(description="taped value; null where not taped")
    tape_sd: Spread | None = Field(description="stated sd of the taped value")
    difference: Maybe = Field(description="value less tape")
    z: Maybe = Field(description="difference in its sds")
    status: Literal["estimated", "tape only", "held"] = Field(
        description="where the value comes from")


class Derived(Record):
    """A quantity computed from the parameters."""

    name: Text
    unit: Unit
    means: Text
    value: Number
    sd: Spread


class Covariance(Record):
    """Of every estimated unknown: parameters, then stands, then set-ups."""

    names: list[Text] = Field(description="of the unknowns")
    units: list[Unit] = Field(description="one for each name")
    matrix: list[list[Number]] = Field(description="products of the units of row and column")

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
    """Two parameters that are strongly correlated."""

    first: Text = Field(description="name of an unknown")
    second: Text = Field(description="name of the other")
    correlation: Number


class TapedBefore(Record):
    """A taped value that took part in what was known of the machine."""

    quantity: Text
    unit: Unit
    value: Number
    sd: Spread


class Machine(Record):
    """What other shots say of the machine; it took part like a taped value."""

    source: Text = Field(description="where it comes from")
    sha256: Text = Field(description="of that result; empty where it is of several runs")
    names: list[Text] = Field(description="of the parameters")
    units: list[Unit] = Field(description="one for each name")
    values: list[Number] = Field(description="one for each name, m or deg")
    root: list[list[Number]] = Field(
        description="a row per value that took part: square root of the information, "
        "reciprocal units; covariance = inverse of root' root where that exists")
    before: list[Text] = Field([], description="SHA-256 of the results that this one goes back "
                               "to, each solved with the next about the same parameters")
    shots: list[Text] = Field([], description="SHA-256 of every shots.csv that it rests on; empty "
                              "where that is not recorded")
    tape: list[TapedBefore] = Field([], description="what was taped of these parameters and is in "
                                    "it")

    @model_validator(mode="after")
    def _fit(self):
        n = len(self.names)
        if len(self.units) != n or len(self.values) != n or any(len(r) != n for r in self.root):
            raise ValueError("as many names, units, values and columns")
        return self


class PlaceSpread(Vector):
    """Sds of a place on the site."""

    east: Spread = Field(description="m")
    north: Spread = Field(description="m")
    up: Spread = Field(description="m")


class Place(Record):
    """A named place on the site."""

    name: Text
    east: Number = Field(description="m")
    north: Number = Field(description="m")
    up: Number = Field(description="m")


class StandSpread(PlaceSpread):
    """Sds of a stand."""

    heading: Spread = Field(description="deg")


class Stand(Place):
    """A parking position: where the boom foot is."""

    heading: Number = Field(description="deg, clockwise from north")
    sd: StandSpread


class SetUpSpread(PlaceSpread):
    """Sds of a set-up."""

    orientation: Spread = Field(description="deg")


class Sighted(Record):
    """What a set-up by itself leaves over of a sight to a known point."""

    point: Text
    residual: Axes = Field(description="sighted less known, m")
    w: Axes = Field(description="residuals in their own sds")


class Corrected(Vector):
    """A component of each kind that a set-up has."""

    east: Maybe
    north: Maybe
    up: Maybe
    orientation: Maybe = Field(description="of its circle, clockwise")


class SetUpAlone(Record):
    """A set-up adjusted by itself: what was stated of it and its sights to known points."""

    sights: list[Sighted]
    stated: Corrected = Field(description="sd of what was known of it beforehand, m and deg")
    off: Corrected = Field(description="what was known beforehand less adjusted, m and deg")
    off_w: Corrected = Field(description="the same in its own sds")
    sd: SetUpSpread
    chi2: Statistic
    dof: Count
    limit: Maybe = Field(description="of chi2; null where nothing is left over to test it with")


class SetUp(Place):
    """A set-up of the instrument."""

    orientation: Number = Field(description="deg")
    sd: SetUpSpread
    alone: SetUpAlone | None = Field(
        None, description="null where its own sights do not determine it")


class KnownPoint(Place):
    """A known point that a set-up sighted and whose coordinates are not taken for errorless."""


class Pose(Record):
    """A row of readings.csv, shot or not."""

    pose: Text
    stand: Text = Field(description="where the machine stood")
    readings: dict[Text, Number] = Field(description="as read, deg")
    joints: dict[Text, Number] = Field(description="as solved, deg")
    edge_sd: Spread | None = Field(description="of the edge in this pose, m")
    time: Text | None = Field(description="of the readings, as written; null where not written")


class VectorTest(Record):
    """A shot tested as a vector of three."""

    chi2: Statistic
    dof: Count
    limit: Number = Field(description="of chi2")
    detectable: Unbounded = Field(description="m")


class ShotTests(Record):
    """A shot's components and the whole of it, tested at equal power."""

    tau: Axes = Field(description="residuals in sds scaled by the run's own misfit")
    detectable: Axes = Field(description="m")
    vector: VectorTest | None
    says: Text | None = Field(description="of a shot that nothing checks")


class Shot(Record):
    """A shot that took part."""

    shot: Text
    pose: Text
    target: Text
    residual: Axes = Field(description="measured less computed at the adjusted readings, m")
    miss: Axes = Field(description="measured less computed at the readings as they were, m")
    w: Maybe = Field(description="the largest standardised residual of the three")
    redundancy: Maybe = Field(description="mean redundancy number")
    detectable: Unbounded = Field(description="largest detectable error of a component, m")
    suspect: Flag = Field(description="out for a single test; see suspects for chance")
    tests: ShotTests
    position: Axes = Field(description="as shot, m")
    house: House = Field(description="as shot, m")
    components: Components = Field(description="the miss seen from the house, m")
    w_by_axis: Axes
    redundancy_by_axis: Axes


class Reading(Record):
    """A reading of a pose."""

    pose: Text
    reading: Text
    correction: Number = Field(description="what the solution adds")
    w: Maybe = Field(description="standardised")
    tau: Maybe = Field(description="standardised, scaled by the run's own misfit")
    redundancy: Maybe
    detectable: Unbounded = Field(description="least error that its test finds")
    suspect: Flag
    says: Text | None = Field(description="of a reading that nothing checks")
    unit: Text = Field("deg", description="of correction and detectable, deg or m")


class Fit(Record):
    """How well everything fits together."""

    observations: Count = Field(description="all that took part")
    shot_coordinates: Count = Field(description="of those")
    tape_values: Count = Field(description="of those")
    machine_values: Count = Field(0, description="what is known of the machine from other shots")
    set_up_values: Count = Field(
        description="of those, known points and what was stated of set-ups")
    unknowns: Count = Field(description="that were estimated")
    dof: Count = Field(description="degrees of freedom")
    variance_factor: Annotated[Statistic, Field(ge=0)] | None = Field(description="chi2 over dof")
    chi2: Annotated[Statistic, Field(ge=0)]
    chi2_low: Spread | None = Field(description="lower end of 95 % of good runs")
    chi2_high: Spread | None = Field(description="upper end of 95 % of good runs")
    passed: Flag | None = Field(description="of the global test")
    rms_3d: Spread = Field(description="of the residuals, m")
    rms_3d_miss: Spread = Field(description="of the misses, m")
    condition: Unbounded = Field(description="of the scaled design without the tape")

    @model_validator(mode="after")
    def _counted(self):
        if self.dof and self.variance_factor is None:
            raise ValueError("a variance factor where there are degrees of freedom")
        return self


class BootstrapRow(Record):
    """A parameter's interval."""

    name: Text
    unit: Unit
    low95: Number = Field(description="2.5 % of the replicates lie below")
    high95: Number = Field(description="2.5 % lie above")
    ratio: Spread = Field(description="width over that of the linear interval")
    disagrees: Flag = Field(description="by more than chance among so few poses")


class Bootstrap(Record):
    """The run solved again with poses drawn from its own, with replacement, stand by stand."""

    replicates: Count = Field(description="how many times it was solved again")
    left_out: Count = Field(description="replicates that do not determine the machine")
    seed: Count = Field(description="of the draw")
    limit: Spread = Field(description="ratios from one over this to this are chance")
    rows: list[BootstrapRow]
    says: Text
