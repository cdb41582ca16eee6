"""The document of a comparison of two set-ups."""

from typing import Annotated, Literal

from pydantic import Field

from calib.document.edge import Joint, SetupError
from calib.document.fields import Flag, Maybe, MaybeSpread, Record, Unit


class ComparedRow(Record):
    """A quantity as both have it."""

    quantity: str
    unit: Unit = Field(description="of all values of this row")
    first: Maybe
    first_sd: MaybeSpread
    second: Maybe
    second_sd: MaybeSpread
    difference: Maybe = Field(description="second less first")
    difference_sd: MaybeSpread
    z: Maybe = Field(description="difference in its sds; null where it cannot be tested")
    significant: Flag
    prior: Flag | None = Field(None, description="this taped value took part in the solution")
    without: Maybe = Field(None, description="solved without this taped value")
    without_sd: MaybeSpread = None


class Together(Joint):
    """All differences in one test."""

    significant: Flag


class Comparison(Record):
    """The whole of compare.json; m and deg."""

    schema_: Annotated[int, Field(strict=True)] = Field(alias="schema")
    first: str
    second: str
    level: float
    limit: float = Field(description="of z")
    rows: list[ComparedRow]
    together: Together | None
    edge: SetupError | None = Field(description="with the values of one entered in the other")
    edge_of: Literal["first", "second"] = Field(description="whose values are entered")
    goal: Maybe = Field(None, description="what the edge must be known to at 95 %, m; null "
                        "without a result")
    goal_source: str = ""
    good_enough: Flag | None = Field(None, description="the entered values keep it: at the upper "
                                     "end of the 95 % of edge, not even at the lower, or null "
                                     "between the two, where some are not taped, and where a "
                                     "result is not to be entered though it would be")
    not_taped: list[str] = Field([], description="values that move the edge and that a tape has "
                                 "not: taken as solved in edge")
    notes: list[str]
    not_to_enter: list[str] = Field(default_factory=list, description="results whose values are "
                                    "not to be entered, and why")

    @property
    def passed(self) -> bool:
        """Whether either may be entered for the other; two tapes are not judged."""
        return not self.not_to_enter and (self.goal is None or bool(self.good_enough))

    @property
    def other(self) -> Literal["first", "second"]:
        """The one that is taken for right at the edge."""
        return "second" if self.edge_of == "first" else "first"
