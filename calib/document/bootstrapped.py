"""Intervals from solving a run many times over, beside those of the linear theory."""

from pydantic import Field

from calib.document.fields import Count, Flag, Number, Record, Spread, Text, Unit


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

    replicates: Count
    left_out: Count = Field(description="replicates that do not determine the machine")
    seed: Count
    limit: Spread = Field(description="ratios from one over this to this are chance")
    rows: list[BootstrapRow]
    says: Text
