"""The tables of result.json that judgement gives."""

from typing import Annotated, Literal

from pydantic import Field

from calib.document.fields import (
    Axes,
    Chance,
    Components,
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


class Suspect(Record):
    """A value, or a pose, that does not fit the others."""

    kind: Text = Field(description="shot, reading, pose, tape or sight")
    name: Text = Field(description="as --set-aside takes it")
    statistic: Statistic
    dof: Count
    limit: Number = Field(description="of the statistic")
    chance: Maybe = Field(description="that the worst value of a good run is as far out")
    beyond_chance: Flag = Field(description="whether a clean run seldom looks as bad")
    says: Text


class Tests(Record):
    """Levels and critical values of the tests of single values."""

    alpha: Number = Field(description="level of the test of a single value")
    power: Number = Field(description="with which a just detectable error is found")
    w: Number = Field(description="critical value")
    tau: Maybe = Field(description="critical value")
    delta0: Number = Field(description="detectable at that level and power, sds")
    vector: Number = Field(description="critical chi2 of a shot as a vector of three")
    vector_alpha: Number = Field(description="its level, of equal power")


class Effect(Record):
    """What leaving values out does to a parameter."""

    name: Text
    unit: Unit
    with_: Maybe = Field(alias="with", description="with everything")
    without: Maybe = Field(description="without the values that were left out")
    sd_without: MaybeSpread = Field(description="of that")
    in_sd: Maybe = Field(description="with less without, in sds of the first")


class WithoutSuspects(Record):
    """The result without the suspects beside the one with them."""

    without: list[Text] = Field(description="names of the values that were left out")
    parameters: Annotated[list[Effect], Field(min_length=1)]
    variance_factor: Annotated[Statistic, Field(ge=0)] | None = Field(description="chi2 over dof")
    dof: Count


class Aside(Record):
    """A value that was set aside, and why."""

    name: Text
    reason: Text = Field(description="why it was set aside")


class AsideShot(Record):
    """A shot that was set aside, against its prediction."""

    shot: Text
    pose: Text
    target: Text | None = None
    miss: Axes = Field(description="m")
    sd: Axes = Field(description="of the prediction, m")
    position: Axes = Field(description="as shot, m")
    house: House = Field(description="as shot, m")
    components: Components = Field(description="the miss seen from the house, m")


class SetAside(Record):
    """What took no part."""

    choice: Text = Field(description="as --set-aside was given")
    values: list[Aside]
    shots: list[AsideShot]
    effect: list[Effect] | None = Field(
        description="what it changed of the parameters; null where that cannot be solved")


class Noise(Record):
    """How many times its stated sd a kind of value scatters."""

    name: Text
    times: Unbounded = Field(description="estimated over stated sd")
    sd: Unbounded = Field(description="of times")
    low95: Unbounded = Field(description="lower end of 95 %")
    high95: Unbounded = Field(description="upper end of 95 %")
    redundancy: Maybe
    differs: Flag = Field(description="whether that is surely not 1")
    says: Text


class Trend(Record):
    """A systematic part that the residuals show."""

    name: Text
    slope: Unbounded = Field(description="of the residuals against what it is named after")
    sd: Unbounded
    unit: Text = Field(description="of slope and sd")
    chi2: Unbounded
    dof: Count
    chance: Maybe
    significant: Flag
    says: Text
    effects: list[Text] = Field(
        default_factory=list, description="that calib explore can test and that show so")


class Missed(Record):
    """A shot against its prediction."""

    shot: Text
    miss: Axes = Field(description="measured less predicted, m")
    sd: Axes = Field(description="of that, m")


class HeldOut(Record):
    """Poses predicted from the others."""

    count: Count = Field(description="shots that were predicted")
    folds: Count = Field(description="groups of poses, each left out once")
    missing_poses: list[Text] = Field(description="without which the rest does not fix the machine")
    rms_3d: Spread = Field(description="m")
    predicted_rms_3d: Unbounded = Field(description="m")
    max_3d: Spread = Field(description="m")
    standardised_sd: Unbounded = Field(
        description="of the misses in their own sds; 1 if those are right")
    chi2: Statistic
    dof: Count
    chance: Maybe
    passed: Flag | None = Field(description="null where there is nothing to judge by")
    shots: list[Missed]


class Checked(Record):
    """A check shot against its prediction."""

    shot: Text
    pose: Text
    target: Text
    miss: Axes = Field(description="measured less predicted, m")
    sd: Axes = Field(description="of that, m")
    chi2: Statistic = Field(description="of three components")


class Offset(Record):
    """What check shots are off by in common."""

    mean: Axes = Field(description="m")
    sd: Axes = Field(description="m")
    chance: Maybe


class Check(Record):
    """The check shots against their predictions."""

    count: Count = Field(description="check shots")
    rms_3d: Spread = Field(description="m")
    max_3d: Spread = Field(description="m")
    tolerance: Spread = Field(description="m")
    passed: Flag = Field(description="whether all are within the tolerance")
    offset: Offset | None
    shots: list[Checked]


class UndetectedShot(Record):
    """What a just detectable error of a shot does."""

    shot: Text
    edge: Unbounded = Field(description="m at the edge; null where nothing would stop it")


class UndetectedTape(Record):
    """What a just detectable error of a taped value does."""

    quantity: Text
    edge: Unbounded = Field(description="m at the edge")


class Undetected(Record):
    """What errors of just detectable size do at the edge."""

    shots: list[UndetectedShot]
    readings: list[dict[Text, Text | Unbounded]] = Field(
        description="the pose, and m at the edge by reading")
    tape: list[UndetectedTape]


class Correlated(Record):
    """Two parameters that the shots can hardly tell apart."""

    one: Text = Field(description="name of a parameter")
    other: Text = Field(description="name of the other")
    correlation: Number


class Identifiability(Record):
    """What the shots tell without the tape."""

    singular_values: list[Unbounded] = Field(description="of the scaled design, largest first")
    rank: Count = Field(description="of the scaled design")
    condition: Unbounded = Field(description="largest over smallest singular value")
    o1: Unbounded = Field(description="first observability index: geometric mean of the singular "
                          "values over the root of the number of poses")
    o2: Unbounded = Field(description="the second: smallest over largest singular value")
    o3: Unbounded = Field(description="the third: the smallest singular value")
    correlated: list[Correlated]


class Weak(Record):
    """A combination of parameters that the shots hardly tell."""

    parameters: dict[Text, Number] = Field(description="shares")
    says: Text


class ShotCorrelation(Record):
    """The test of each shot's error against that of the shot before."""

    coefficient: Number = Field(description="of each error with the next")
    chance: Maybe
    pairs: Count = Field(description="of shots one after another")
    order: Literal["time", "file"] = Field(description="what one after another means")


class SurveyScale(Record):
    """The scale of the shots that the taped lengths ask for."""

    excess: Number = Field(description="less 1")
    sd: Spread
    chance: Maybe


class OutOfPlace(Record):
    """A parameter out of its range, or far from where it was stated."""

    name: Text
    says: Text


class OtherMachine(Record):
    """A machine that fits the shots as well: mirrored, relabelled, exchanged."""

    machine: Text = Field(description="what it differs by")
    edit: Text | None = Field(description="of the files, that makes it")
    differs: list[Text] = Field(description="parameters")
    shots_chi2: Statistic = Field(description="how much worse it fits the shots")
    tape_chi2: Statistic = Field(description="how much worse it fits the tape")
    evidence: Statistic = Field(
        description="for the reported machine, in chi2; negative where the other is likelier")
    told_by: Text | None = Field(description="what rules it out")
    would_tell: Text | None = Field(description="the parameter whose taped value would tell best")
    says: Text


class Plausible(Record):
    """Values out of place, and the machines that the shots fit as well."""

    passed: Flag = Field(
        description="whether nothing is out of place and no other machine fits as well")
    out_of_range: list[OutOfPlace]
    far_from_start: list[OutOfPlace]
    equivalents: list[OtherMachine]
    would_tell: list[Text] = Field(
        description="the fewest parameters whose taped values tell the machines apart")
    keep_out: list[Text] = Field(
        description="what to tape to keep out every machine that exchanges labels")


class Goal(Record):
    """What the edge must be known to and is known to, worst over the envelope."""

    edge: Spread = Field(description="at 95 %, m")
    source: Text = Field(description="what the goal was taken from")
    confidence: Chance = Field(description="of within95 and in_use95")
    sd: Unbounded = Field(description="1 sd, m; null where it can be told nowhere")
    within95: Unbounded = Field(description="m")
    sd_in_use: Unbounded = Field(None, description="worst over the envelope with the noise of the "
                                 "readings as well, 1 sd, m")
    in_use95: Unbounded = Field(None, description="the same at 95 %, m")
    hidden: Unbounded = Field(None, description="how far the edge is off at most by an error that "
                              "values share and that is just too small to be found, m; null if "
                              "not asked")
    reach: Text | None = Field(description="where that is")
    met: Flag = Field(description="whether within95 keeps the goal")


class Gate(Record):
    """A test of the result."""

    name: Text
    passed: Flag
    chance: Maybe = Field(description="that a clean run looks as bad")
    level: Maybe = Field(description="its share of the chance of all tests")
    says: Text


class Verdict(Record):
    """Whether to use the result, and why."""

    says: Text
    passed: Flag = Field(description="every gate did")
    gates: list[Gate]
    reasons: list[Text] = Field(description="what failed first")
    notes: list[Text] = Field(description="what to know besides")
    explained: Text | None = Field(None, description="one shared error that explains as well what "
                                   "does not fit")
    error_rate: Chance = Field(description="that the tests together condemn a clean run")
    shared_by: Text = Field(description="how the tests share the chance to condemn a clean run")

    @property
    def failed(self) -> list[str]:
        """Names of the gates that failed."""
        return [gate.name for gate in self.gates if not gate.passed]


class CheckTold(Check):
    """What ``calib check`` prints: passed is within the tolerance, and no offset in common."""

    requirement: list[str] = Field(description="of the result: what to enter, what to trust, "
                                   "whether the taped set-up is good enough")
    says: str
    tolerance_source: str
    further_out_than_their_sds_allow: list[str] = Field(description="ids of shots")
    offset_says: str
    cautions: list[str]
