"""Numbers, text and vectors of a document, as its readers may take them for granted."""

import math
from collections.abc import Iterable
from typing import Annotated, Any, Literal, Self, SupportsFloat

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from calib.run.text import CONTROL

#: No number of a result is larger; beyond lies overflow.
_LARGEST = 1e12

Number = Annotated[float, Field(strict=True, ge=-_LARGEST, le=_LARGEST)]
Spread = Annotated[float, Field(strict=True, ge=0, le=_LARGEST)]
Maybe = Number | None
MaybeSpread = Spread | None
#: Grows with the square of a misfit in sds.
Statistic = Annotated[float, Field(strict=True, ge=-1e30, le=1e30)]
#: May grow beyond every bound where something is all but undetermined.
Unbounded = Annotated[float, Field(strict=True, allow_inf_nan=False)] | None
Chance = Annotated[float, Field(strict=True, ge=0, le=1)]
Count = Annotated[int, Field(strict=True, ge=0, le=10**9)]
Flag = Annotated[bool, Field(strict=True)]


def _shown(text):
    if CONTROL.search(text):
        raise ValueError("text without control characters")
    return text


Text = Annotated[str, Field(strict=True, max_length=20_000), AfterValidator(_shown)]
Unit = Literal["m", "deg"]


#: Of keys that mean the same wherever they stand without a description of their own.
_MEANINGS = {
    "name": "of what the row is about", "title": "in words", "unit": "of the values beside it",
    "says": "in words, as the report has it", "means": "what it is, and which way is positive",
    "shot": "its id", "pose": "its id", "target": "its name in the rig", "point": "a target",
    "reading": "its name in the rig", "quantity": "a parameter or a derived quantity",
    "value": "as solved or as taped", "sd": "one standard deviation",
    "chi2": "sum of squares, each in its sds", "dof": "degrees of freedom",
    "statistic": "what is held against limit",
    "chance": "that a clean run looks as bad; null where there is nothing to tell it by",
    "passed": "whether it may be as it is", "significant": "by more than chance",
    "redundancy": "redundancy number: the share of an error that the residual shows",
    "suspect": "out for a single test", "correlation": "from -1 to 1",
    "east": "component to the east", "north": "component to the north",
    "up": "component upwards",
}


def _explained(schema: dict[str, Any]) -> None:
    for name, key in schema["properties"].items():
        if name in _MEANINGS and "$ref" not in key:
            key.setdefault("description", _MEANINGS[name])


class Record(BaseModel):
    """A table of a document; keys may be added within a schema."""

    # Built when first used: a table within another is built with it, not also by itself.
    model_config = ConfigDict(extra="allow", populate_by_name=True, defer_build=True,
                              json_schema_extra=_explained)

    @classmethod
    def like(cls, found: object, /, **own: Any) -> Self:
        """From what an object has under the same names, but for `own`; see `made`."""
        return cls.made(**{name: getattr(found, name) for name in cls.model_fields
                           if name not in own}, **own)

    @classmethod
    def made(cls, **values: Any) -> Self:
        """From values of numpy too: arrays become lists or vectors, not finite becomes None."""
        fields = cls.model_fields
        return cls(**{name: _plain(value, fields[name].annotation)
                      for name, value in values.items()})

    @classmethod
    def each(cls, found: Iterable[object] | None = None, /, **columns: Iterable[Any]
             ) -> list[Self]:
        """A record like each of some objects, if any, with values of columns; see `made`."""
        rows = [dict(zip(columns, row, strict=True))
                for row in zip(*columns.values(), strict=True)]
        if found is None:
            return [cls.made(**row) for row in rows]
        return [cls.like(one, **row) for one, row in zip(found, rows, strict=True)]

    def table(self) -> dict:
        """The record as JSON has it."""
        return self.model_dump(by_alias=True)


def _plain(value: Any, kind: Any = None) -> Any:
    value = value.tolist() if hasattr(value, "tolist") else value  # of numpy
    if isinstance(value, list | tuple):
        return (kind.of(value) if isinstance(kind, type) and issubclass(kind, Vector) else
                [_plain(item) for item in value])
    return None if isinstance(value, float) and not math.isfinite(value) else value


def tables(records: Iterable[Record]) -> list[dict]:
    """Each record as JSON has it."""
    return [record.table() for record in records]


class Vector(Record):
    """Named components, null where there is none."""

    @classmethod
    def of(cls, vector: Iterable[SupportsFloat]) -> Self:
        """From as many numbers; what is not finite becomes None."""
        numbers = map(float, vector)
        return cls(**{name: x if math.isfinite(x) else None
                      for name, x in zip(cls.model_fields, numbers, strict=True)})

    @property
    def numbers(self) -> tuple[float | None, ...]:
        """The components in their order."""
        return tuple(getattr(self, name) for name in type(self).model_fields)


class Axes(Vector):
    """On the site."""

    east: Maybe
    north: Maybe
    up: Maybe


class House(Vector):
    """In the levelled house frame, from the boom foot."""

    forward: Maybe = Field(description="component ahead")
    left: Maybe = Field(description="component to the left")
    up: Maybe


class Components(Vector):
    """Along the boom plane, across it to the left, and up."""

    along: Maybe = Field(description="component ahead")
    across: Maybe = Field(description="component to the left")
    up: Maybe
