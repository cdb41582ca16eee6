"""The schema of plan.json: which poses to shoot, and what they will give."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from calib.document.fields import (
    Chance,
    Count,
    Flag,
    Maybe,
    Number,
    Record,
    Spread,
    Text,
    Unbounded,
    Unit,
)
from calib.document.solved import Job

Point = Annotated[list[Number], Field(min_length=3, max_length=3)]
Pair = Annotated[list[Number], Field(min_length=2, max_length=2)]


class PlannedRig(Record):
    """The machine."""

    name: Text
    title: Text


class PlannedReading(Record):
    """A column of the poses."""

    name: Text
    means: Text
    unit: Unit
    driven: Flag = Field(description="false: read in the cab, not driven to")
    swings: Flag = Field(False, description="it swings the house")


class PlannedNote(Record):
    """A column of readings.csv that says how a pose was come to."""

    name: Text
    means: Text
    on_ground: list[Text] = Field(description="words of poses that are down on the ground")


class Drawing(Record):
    """A pose in the levelled house frame: forward, left, up of the boom foot pin, m."""

    machine: Annotated[list[Point], Field(min_length=1)] = Field(
        description="from the boom foot pin to the last joint")
    attachment: Count = Field(description="the point of `machine` where the last long link ends")
    edge: list[Point]
    shots: dict[Text, Point] = Field(description="what is shot, by target")


class PoseRecord(Record):
    """A pose to drive."""

    pose: Text
    readings: dict[Text, Number] = Field(description="deg, -180 to 180, or m")
    noted: dict[Text, Text] = Field(
        default_factory=dict, description="words for columns of readings.csv")
    edge_height: Pair = Field(description="lowest and highest corner above the ground, m")
    shoot: list[Text] = Field(description="targets")
    drawing: Drawing


class PlannedPose(PoseRecord):
    """A pose of a plan."""

    stand: Text
    drive_seconds: Spread | None = Field(description="from the pose before; null for a new stand")
    tolerance: dict[Text, Pair | None] = Field(
        description="how far a reading may be below and above, deg or m; null if nobody drives it")


class Predicted(Record):
    """What the edge will be known to, 3-D, from the calibration alone, m."""

    within95: Spread = Field(description="at 95 %, worst over the envelope: 1.96 times `worst`")
    worst: Spread = Field(description="1 sd, worst over the envelope")
    median: Spread = Field(description="1 sd")
    rms: Spread = Field(description="1 sd")
    loose: Unbounded = Field(description="1 sd, worst, with every reading anywhere in its range")
    efficiency: Chance = Field(description="at least this share of the best possible")


class Robust(Record):
    """The worst of what may be lost; 1 sd, m."""

    pose: Text = Field(description="whose loss hurts most")
    pose_lost: Unbounded
    targets_lost: Unbounded = Field(description="one target in a third of the poses")
    undetermined: list[Text] = Field(description="poses whose loss leaves something undetermined")
    targets_undetermined: Flag
    holds: Flag


class KeptOutRecord(Record):
    """Machines that the shots would fit as well, and the taped value that keeps them out."""

    quantity: Text | None = Field(description="null: nothing that is usually taped does")
    machines: list[Text]


class Minutes(Record):
    """What the plan takes, minutes, and what that was reckoned with."""

    total: Spread
    settling: Spread
    shooting: Spread
    driving: Spread
    moving: Spread
    per_pose: Spread
    per_stand: Spread
    per_shot: dict[Text, Spread] = Field(description="by target")
    pointed_at: list[Text] = Field(description="targets that nobody walks to")


class CandidatesRecord(Record):
    """What the plan was chosen from."""

    asked: Count
    left: Count
    bundles: Count = Field(description="poses with what is shot in them")
    removed: dict[Text, Count] = Field(description="poses by the rule that took them away")


class SiteRecord(Record):
    """Heights and distances, m; see the options of ``calib plan``."""

    foot_height: Number
    clearance: Number
    highest: Maybe
    nearest: Number
    instrument: Point | None
    least_angle: Number = Field(description="deg")
    arm_width: Number
    house: Point


class Errors(Record):
    """What is counted on, 1 sd."""

    shot: dict[Literal["east", "north", "up"], Spread] = Field(description="m")
    readings: dict[Text, Spread] = Field(description="deg or m")


class TapeRecord(Record):
    """What is known beforehand."""

    source: Text
    names: list[Text]


class Growth(Record):
    """Predicted edge sd of growing plans, 1 sd, m."""

    minutes: list[Spread]
    poses: list[Count]
    median: list[Spread]
    worst: list[Spread]
    knee: Maybe = Field(description="minutes from which on more help little")


class CurveRecord(Growth):
    """With all targets, and with the edge alone."""

    edge_only: Growth | None


class DisplayNeeds(Record):
    """What a machine's display needs of a mark on the house, 1 sd, m and deg."""

    mark: Text
    sd: Annotated[list[Spread], Field(min_length=3, max_length=3)] = Field(
        description="of its place ahead, left and above of the boom foot pin, m")
    to: Text | None = Field(description="another mark, for the line to it")
    bearing_sd: Maybe = Field(description="of that line against the boom plane, deg")


class PlanRecord(Record):
    """The whole of plan.json. Lengths in m, angles in deg; what does not exist is null."""

    schema_: Annotated[int, Field(strict=True)] = Field(alias="schema")
    calib: Text
    rig: PlannedRig
    job: Job = Field(default_factory=Job)
    fingerprint: Text = Field("", description="of the rest of this document: the first 12 digits "
                              "of a SHA-256")
    criterion: Literal["edge", "parameters"]
    seed: Count
    targets: list[Text] = Field(description="what may be shot")
    target_means: dict[Text, Text]
    readings: list[PlannedReading]
    notes: list[PlannedNote] = Field(default_factory=list)
    stands: list[Text]
    poses: Annotated[list[PlannedPose], Field(min_length=1)] = Field(
        description="in the order in which they are driven")
    predicted: Predicted
    goal: Maybe = Field(description="what the edge must be known to at 95 %, m")
    least_minutes: Maybe = Field(description="found, that reach the goal")
    least_minutes_one_lost: Maybe = Field(
        default=None, description="found, that reach the goal even if any one pose is lost")
    robust: Robust
    undetermined: list[Text] = Field(description="by the shots alone")
    kept_out: list[KeptOutRecord]
    display: list[DisplayNeeds] = Field(description="of the marks on the house")
    observability: dict[Text, Maybe]
    minutes: Minutes
    candidates: CandidatesRecord
    site: SiteRecord
    noise: Errors
    tape: TapeRecord
    curve: CurveRecord | None
    says: list[Text] = Field(default_factory=list)
    reach: Text = ""
    assumptions: list[Text] = Field(default_factory=list)

    @property
    def driven(self) -> dict[str, str]:
        """The readings that somebody drives to, and their units."""
        return {r.name: r.unit for r in self.readings if r.driven}

    @property
    def swings(self) -> bool:
        """Whether the house is swung between the poses of a stand."""
        return any(r.swings for r in self.readings)

    @property
    def shots(self) -> int:
        """How many shots it has."""
        return sum(len(pose.shoot) for pose in self.poses)

    @model_validator(mode="after")
    def _together(self):
        names = {r.name for r in self.readings}
        for pose in self.poses:
            if set(pose.readings) != names or set(pose.tolerance) != names:
                raise ValueError("every reading in every pose")
            if not set(pose.shoot) <= set(self.targets) or pose.stand not in self.stands:
                raise ValueError("targets and stands that are listed")
        return self
