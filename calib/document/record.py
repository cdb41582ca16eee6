"""The schema of result.json: what is written, and what every reader may take for granted.

Keys beyond these are let through, since keys may be added within a schema.
"""

from typing import Annotated

from pydantic import Field, model_validator

from calib.document.bootstrapped import Bootstrap
from calib.document.edge import Edge, Taped
from calib.document.entered import Entered
from calib.document.fields import Count, Flag, Record, Text
from calib.document.judged import (
    Check,
    Goal,
    HeldOut,
    Identifiability,
    Noise,
    Plausible,
    SetAside,
    ShotCorrelation,
    SurveyScale,
    Suspect,
    Tests,
    Trend,
    Undetected,
    Verdict,
    Weak,
    WithoutSuspects,
)
from calib.document.solved import (
    Correlation,
    Covariance,
    Derived,
    Fit,
    Job,
    KnownPoint,
    Machine,
    Parameter,
    Pose,
    Reading,
    Rig,
    Run,
    SetUp,
    Shot,
    Stand,
)


class ResultRecord(Record):
    """The whole of result.json. Lengths in m, angles in deg; what does not exist is null."""

    schema_: Annotated[int, Field(strict=True)] = Field(
        alias="schema", description="version of this document; keys may be added within it")
    calib: Text = Field(description="version that solved the run")
    computed_with: dict[Text, Text] = Field(description="versions that may change last digits")
    run: Run
    fingerprint: Text = Field("", description="of the run's files and of what was set aside: the "
                              "first 12 digits of a SHA-256; empty for a run in memory")
    job: Job = Field(default_factory=Job)
    rig: Rig
    converged: Flag
    iterations: Count
    parameters: Annotated[list[Parameter], Field(min_length=1)] = Field(
        description="in the rig's order")
    derived: list[Derived]
    covariance: Covariance
    correlations: list[Correlation] = Field(description="strong ones, the strongest first")
    stands: Annotated[list[Stand], Field(min_length=1)]
    set_ups: list[SetUp]
    known_points: list[KnownPoint] = Field([], description="that set-ups sighted, with errors of "
                                           "their own")
    machine: Machine | None = Field(None, description="null if nothing but the run's own files")
    poses: Annotated[list[Pose], Field(min_length=1)]
    shots: Annotated[list[Shot], Field(min_length=1)] = Field(
        description="in the order of shots.csv")
    readings: list[Reading]
    fit: Fit
    suspects: list[Suspect] = Field(description="in the order in which they were found")
    tests: Tests
    without_suspects: WithoutSuspects | None = Field(description="null without suspects")
    set_aside: SetAside
    noise: list[Noise] | None = Field(description="null if it cannot be separated")
    trends: list[Trend] = Field(description="the significant ones and the next few")
    held_out: HeldOut | None
    correlation: ShotCorrelation | None
    scale: SurveyScale | None
    undetected: Undetected
    identifiability: Identifiability
    weak: list[Weak]
    check: Check | None
    plausible: Plausible
    edge: Edge
    goal: Goal
    taped: Taped | None
    entries: Entered | None = Field(None, description="null without entries.toml")
    verdict: Verdict
    bootstrap: Bootstrap | None = Field(None, description="null if not asked for")

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
        held = self.held_out.shots if self.held_out else []
        if not {s.shot for s in (*self.undetected.shots, *held)} <= shots:
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
