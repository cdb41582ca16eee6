"""The schema of result.json: what is written, and what every reader may take for granted.

Keys beyond these are let through, since keys may be added within a schema.
"""

from enum import StrEnum
from typing import Annotated

from pydantic import Field, model_validator

from calib.document import judged, solved
from calib.document.edge import Edge, Taped
from calib.document.entered import Entered
from calib.document.fields import Count, Flag, Record, Text


class Decision(StrEnum):
    """Enter its values, enter them once a taped length agrees, or do not enter them."""

    ENTER, NOT_YET, DO_NOT = "enter", "not yet", "do not enter"


class ResultRecord(Record):
    """The whole of result.json. Lengths in m, angles in deg; what does not exist is null."""

    schema_: Annotated[int, Field(strict=True)] = Field(
        alias="schema", description="version of this document; keys may be added within it")
    calib: Text = Field(description="version that solved the run")
    computed_with: dict[Text, Text] = Field(description="versions that may change last digits")
    run: solved.Run
    fingerprint: Text = Field("", description="of the run's files and of what was set aside: the "
                              "first 12 digits of a SHA-256; empty for a run in memory")
    job: solved.Job = Field(default_factory=solved.Job)
    rig: solved.Rig
    converged: Flag = Field(description="whether the last step was small enough")
    iterations: Count = Field(description="steps of the solver")
    parameters: Annotated[list[solved.Parameter], Field(min_length=1)] = Field(
        description="in the rig's order")
    derived: list[solved.Derived]
    covariance: solved.Covariance
    correlations: list[solved.Correlation] = Field(description="strong ones, the strongest first")
    stands: Annotated[list[solved.Stand], Field(min_length=1)]
    set_ups: list[solved.SetUp]
    known_points: list[solved.KnownPoint] = Field(
        [], description="that set-ups sighted, with errors of their own")
    machine: solved.Machine | None = Field(
        None, description="null if nothing but the run's own files")
    poses: Annotated[list[solved.Pose], Field(min_length=1)]
    shots: Annotated[list[solved.Shot], Field(min_length=1)] = Field(
        description="in the order of shots.csv")
    readings: list[solved.Reading]
    fit: solved.Fit
    suspects: list[judged.Suspect] = Field(description="in the order in which they were found")
    tests: judged.Tests
    without_suspects: judged.WithoutSuspects | None = Field(description="null without suspects")
    set_aside: judged.SetAside
    noise: list[judged.Noise] | None = Field(description="null if it cannot be separated")
    trends: list[judged.Trend] = Field(description="the significant ones and the next few")
    held_out: judged.HeldOut | None
    correlation: judged.ShotCorrelation | None
    scale: judged.SurveyScale | None
    undetected: judged.Undetected
    identifiability: judged.Identifiability
    weak: list[judged.Weak]
    check: judged.Check | None
    plausible: judged.Plausible
    edge: Edge
    goal: judged.Goal
    taped: Taped | None
    entries: Entered | None = Field(None, description="null without entries.toml")
    verdict: judged.Verdict
    bootstrap: solved.Bootstrap | None = Field(None, description="null if not asked for")

    @property
    def decision(self) -> Decision:
        """What is to be done with the values."""
        if not self.verdict.passed or (self.entries is not None and not self.entries.enough):
            return Decision.DO_NOT
        return Decision.ENTER if self.to_tape is None else Decision.NOT_YET

    @property
    def to_tape(self) -> solved.Parameter | None:
        """The longest length that was solved, where nothing tells the scale of the survey."""
        lengths = [p for p in self.parameters if p.unit == "m" and p.status != "held"]
        if self.scale is not None:
            return None
        return max(lengths, key=lambda p: abs(p.value), default=None)

    @property
    def shot_poses(self) -> set[str]:
        """The poses that shots were taken in."""
        return {s.pose for s in self.shots}

    @property
    def reading_names(self) -> list[str]:
        """Names of the readings, in their order."""
        return list(self.poses[0].joints)

    @model_validator(mode="after")
    def _together(self):
        poses = {p.pose for p in self.poses}
        stands, shot = {s.name for s in self.stands}, self.shot_poses
        if len(poses) < len(self.poses):
            raise ValueError("each pose once")
        if not {s.pose for s in self.shots} | {r.pose for r in self.readings} <= poses:
            raise ValueError("shots and readings of the poses that are listed")
        if not {p.stand for p in self.poses if p.pose in shot} <= stands:
            raise ValueError("poses of shots in the stands that are listed")
        shots = {s.shot for s in self.shots}
        if len(shots) < len(self.shots):
            raise ValueError("each shot once")
        held = {s.shot for s in self.held_out.shots} if self.held_out else set()
        if not {s.shot for s in self.undetected.shots} | held <= shots:
            raise ValueError("undetected and held-out shots of the shots that are listed")
        readings = {tuple(p.joints) for p in self.poses} | {tuple(p.readings) for p in self.poses}
        if len(readings) > 1:
            raise ValueError("the same readings in every pose")
        names = [p.name for p in self.parameters]
        estimated = [p.name for p in self.parameters if p.status != "held"]
        if len(set(names)) < len(names) or not set(estimated) <= set(self.covariance.names):
            raise ValueError("a variance of every parameter that is not held")
        if any((p.sd is None) != (p.status == "held") for p in self.parameters):
            raise ValueError("an sd of every parameter that is not held, and of no other")
        return self
