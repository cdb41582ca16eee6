"""The tables of result.json about what is typed into the machine."""

from pydantic import Field

from calib.document.fields import Flag, Maybe, Number, Record, Spread, Text, Unbounded


class EntryRow(Record):
    """One value as the machine's own system asks for it."""

    name: Text
    unit: Text = Field(description="of value, old, sd and step")
    means: Text
    value: Number = Field(description="not rounded")
    typed: Text = Field(description="rounded to the step")
    step: Spread = Field(description="smallest that can be typed")
    sd: Spread = Field(description="a-priori, one standard deviation, correlations included")
    old: Maybe = Field(description="of the taped machine; null where the tape does not tell it")
    rounding: Unbounded = Field(description="half a step moves the edge by that at most, m")


class OwnRow(Record):
    """A value that the system takes for granted, and the machine has not."""

    name: Text
    unit: Text = Field(description="m or deg")
    held: Number = Field(description="what the system takes for granted")
    solved: Number = Field(description="what it should be")
    moves: Unbounded = Field(description="the edge, at worst, by that alone, m")


class LeftOutRow(Record):
    """A parameter that moves the edge and follows from no entry."""

    name: Text
    means: Text
    unit: Text = Field(description="m or deg")
    solved: Number = Field(description="what it should be")
    old: Maybe = Field(description="as taped; null if it was not")


class Entered(Record):
    """The yard's own list of what is typed, in its order."""

    title: Text = Field(description="of the list")
    definition: dict = Field(description="entries.toml as it was understood")
    rows: list[EntryRow]
    rounding: Unbounded = Field(
        description="what rounding moves the edge by, worst over the envelope, m; null where the "
        "list is no machine")
    off: Unbounded = Field(
        None, description="the edge with everything typed so, for what the system holds of its own "
        "too, and for what is left out as taped, worst over the envelope, m; null if not known")
    own: list[OwnRow] = Field([], description="what the system holds of its own")
    left_out: list[LeftOutRow] = Field([], description="what no entry tells")
    enough: Flag = Field(True, description="complete, and the edge known to what is required with "
                         "that on top")
    complete: Flag = Field(description="the list determines where the edge is")
    says: list[Text] = Field(description="what the list leaves out or takes for granted")
