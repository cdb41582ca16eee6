"""The document of ``calib next``: how far a run is, and what to shoot next."""

from typing import Annotated

from pydantic import Field

from calib.document.fields import Count, Flag, Maybe, Number, Record, Spread, Text, Unbounded, Unit
from calib.document.planned import PoseRecord


class ShotSoFar(Record):
    """What was shot, without what is set aside."""

    poses: Count
    shots: Count
    stands: list[Text]


class KnownNow(Record):
    """What the edge is known to, m."""

    within95: Unbounded = Field(description="at 95 %, worst over the envelope: 1.96 times `worst`")
    worst: Unbounded = Field(description="1 sd, worst over the envelope")
    rms: Unbounded = Field(description="1 sd")


class WeakParameter(Record):
    """A parameter behind the worst edge sd."""

    parameter: Text
    share: Number = Field(description="of its variance")


class Buy(Record):
    """What is shot, what it takes and what it is worth, 1 sd, m."""

    shoot: list[Text]
    minutes: Spread
    worst_after: Unbounded
    gain: Unbounded


class Here(Buy):
    """What to shoot before the machine moves on."""

    pose: Text


class FurtherPose(PoseRecord, Buy):
    """A pose to add; gains add up in their order."""


class LookedAt(Record):
    """How far was looked for the goal."""

    poses: Count
    worst: Unbounded = Field(description="1 sd, with all of them, m")


class NextRecord(Record):
    """What ``calib next`` prints. Lengths in m, angles in deg; what does not exist is null."""

    schema_: Annotated[int, Field(strict=True)] = Field(alias="schema")
    calib: Text
    shot: ShotSoFar
    set_aside: list[Text]
    unsolved: Text | None = Field(description="why the run cannot be solved yet")
    undetermined: Flag
    now: KnownNow
    weak: list[WeakParameter]
    stand: Text = Field(description="where the further poses are")
    here: Here | None
    targets: list[Text]
    driven: list[Text] = Field(description="readings that somebody drives to")
    units: list[Unit] = Field(description="of these")
    poses: Annotated[list[FurtherPose], Field(min_length=1)]
    reach: Text = Field(description="how high the edge goes")
    goal: Number = Field(description="what the edge must be known to at 95 %, m")
    goal_stated: Flag = Field(description="false: the usual one")
    goal_met: Flag
    goal_needs: Count | None = Field(description="further poses that reach it")
    goal_minutes: Maybe
    looked_at: LookedAt
    objection: Text | None = Field(
        None, description="why the values are not to be entered although the goal is met; null if "
        "nothing speaks against it, or the goal is not met")
    but: Text | None = Field(None, description="what could hide from every test although the goal "
                             "is met, where it is more than the goal; else null")
    hardly_helps: Flag = Field(description="a further buy betters the edge by next to nothing")
    cautions: list[Text]

    @property
    def enough(self) -> bool:
        """Whether nothing more need be shot."""
        return self.met or (self.hardly_helps and not self.goal_met and not self.undetermined)

    @property
    def met(self) -> bool:
        """Whether the goal is met, by a run whose values are to be entered."""
        return self.goal_met and self.objection is None
