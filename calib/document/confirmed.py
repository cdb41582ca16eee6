"""The document of what a machine's display says of what was typed into it."""

from typing import Literal

from pydantic import Field

from calib.document.fields import Count, Flag, House, Maybe, Number, Record, Text, Unbounded


class FieldHolds(Record):
    """A field of the machine's own system with something else in it than should be."""

    field: Text
    unit: Text
    right: Text = Field(description="as it should be typed")
    holds: Number = Field(description="what the display says is in it")
    off: Number = Field(description="holds less right")


class PoseToShow(Record):
    """A posture clear of the ground."""

    joints: dict[Text, Number] = Field(description="deg")
    readings: dict[Text, Number] = Field(description="of the machine as solved, deg")
    target: Text | None
    apart: Unbounded = Field(description="what the display differs by there, m")


class Slipped(Record):
    """A typing slip, or two, that explain a display; or a pose copied wrongly."""

    says: Text
    kinds: list[Text]
    fields: list[FieldHolds]
    pose: Text | None = Field(description="whose display does not fit the others")
    chi2: Unbounded
    dof: Count
    behind: Unbounded = Field(description="score behind the best")
    moves: Unbounded = Field(description="the edge, at worst over the envelope, m")


class NotSeen(Record):
    """A slip that the shown poses would not show."""

    says: Text
    fields: list[FieldHolds]
    moves: Unbounded = Field(description="the edge, at worst over the envelope, m")
    pose: PoseToShow | None = Field(description="where it would show")


class ShownPoint(Record):
    """A displayed point; in the levelled house frame, or east, north, up for a site."""

    pose: Text
    target: Text
    difference: House = Field(description="shown less as it should be, m")
    within95: House = Field(description="what noise and rounding let it be with 95 %, m")


class Confirmation(Record):
    """What ``calib confirm`` prints."""

    says: list[Text]
    status: Literal["agrees", "not proven", "mistyped", "disagrees", "not carried"]
    agrees: Flag
    goal: Number = Field(description="what the edge must be right to at 95 %, m")
    told95: Unbounded = Field(description="what these poses tell the edge to, whatever was typed, "
                              "worst over the envelope, at 95 %, m; null where they disagree")
    chi2: Unbounded = Field(description="of the display with everything typed right")
    dof: Count
    worst: Maybe = Field(description="3-D, of the shown points, m")
    looked_at: Count = Field(description="slips that were tried")
    slip: Slipped | None
    cannot_be_told_from: list[Slipped]
    telling: PoseToShow | None = Field(description="tells the slip from the first of those")
    not_seen: list[NotSeen]
    points: list[ShownPoint]
    next: list[Text] = Field(description="commands")
    cautions: list[Text]
