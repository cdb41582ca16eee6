"""Numbers, text and vectors of result.json, as its readers may take them for granted."""

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from calib.run.text import CONTROL

#: No number of a result is larger; beyond lies overflow.
_LARGEST = 1e12

Number = Annotated[float, Field(strict=True, ge=-_LARGEST, le=_LARGEST)]
Spread = Annotated[float, Field(strict=True, ge=0, le=_LARGEST)]
Maybe = Number | None
#: May grow beyond every bound where something is all but undetermined.
Unbounded = Annotated[float, Field(strict=True, allow_inf_nan=False)] | None
Count = Annotated[int, Field(strict=True, ge=0, le=10**9)]
Flag = Annotated[bool, Field(strict=True)]


def _shown(text):
    if CONTROL.search(text):
        raise ValueError("text without control characters")
    return text


Text = Annotated[str, Field(strict=True, max_length=20_000), AfterValidator(_shown)]
Unit = Literal["m", "deg"]


class Record(BaseModel):
    model_config = ConfigDict(extra="allow")


class Axes(Record):
    east: Maybe
    north: Maybe
    up: Maybe


class House(Record):
    forward: Maybe
    left: Maybe
    up: Maybe


class Components(Record):
    along: Maybe
    across: Maybe
    up: Maybe
