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


class Entered(Record):
    """The yard's own list of what is typed, in its order."""

    title: Text
    definition: dict = Field(description="entries.toml as it was understood")
    rows: list[EntryRow]
    rounding: Unbounded = Field(
        description="the edge with all values rounded, worst over the envelope, m; null where the "
        "list is no machine")
    complete: Flag = Field(description="the list determines where the edge is")
    says: list[Text] = Field(description="what the list leaves out or takes for granted")
