"""The shape of a list of entries, checked before anything is computed from it."""

from collections.abc import Mapping
from contextlib import suppress
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from calib.chain.length import FRACTIONS
from calib.chain.schema import Number, Positive, Sign, Unusable, in_words

LENGTHS, ANGLES = ("mm", "cm", "m", "ft", "in"), ("deg", "gon", "rad")

#: SI (m or rad) per unit.
SIZE = {
    **{unit: FRACTIONS[unit][0] / FRACTIONS[unit][1] for unit in LENGTHS},
    "deg": np.pi / 180, "gon": np.pi / 200, "rad": 1.0,
}

#: The smallest step that can be typed where the list does not say, by unit: a millimetre or less,
#: a hundredth of a degree or less (common practice, no source).
STEP = {"mm": 1.0, "cm": 0.1, "m": 0.001, "ft": 0.001, "in": 0.01,
        "deg": 0.01, "gon": 0.01, "rad": 0.0001}

#: Measures of one line, in lengths.
ALONG = ("distance", "ahead", "left", "above")

#: Most entries of a list.
MOST = 200


class EntriesError(Unusable):
    """A list of entries that cannot be used; keys such as ``entry.3.unit``."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", populate_by_name=True, defer_build=True)


class Entry(_Strict):
    """One value as somebody types it: ``sign * quantity / size + plus``."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    unit: Literal["mm", "cm", "m", "ft", "in", "deg", "gon", "rad"]
    sign: Sign = 1
    plus: Number = 0.0
    round: Positive | None = None
    is_: str | None = Field(None, alias="is")
    sum: Annotated[dict[str, Number], Field(min_length=1)] | None = None
    #: "distance"; "ahead", "left", "above" along the axes; "bearing" left of the first axis seen
    #: along the third; "inclination" towards the third axis; "angle" at the corner.
    measure: Literal["distance", "ahead", "left", "above", "bearing", "inclination",
                     "angle"] | None = None
    #: from_, to, corner: Targets or frames.
    from_: str | None = Field(None, alias="from")
    to: str | None = None
    corner: str | None = None
    axes: str | None = None  #: A frame; None: the levelled house.
    at: dict[str, Number] = {}  #: Joint angles by reading, deg; 0 of others.

    @model_validator(mode="after")
    def _one_meaning(self):
        given = [key for key, value in (("is", self.is_), ("sum", self.sum),
                                        ("measure", self.measure)) if value is not None]
        if len(given) != 1:
            raise ValueError('one of "is", "sum" and "measure", to say what it is')
        if self.measure is None and (self.from_ or self.to or self.corner or self.axes or self.at):
            raise ValueError('"from", "to", "corner", "axes" and "at" only with a "measure"')
        if self.measure is not None and not (self.from_ and self.to):
            raise ValueError('"from" and "to" with a "measure"')
        if (self.corner is not None) != (self.measure == "angle"):
            raise ValueError('a "corner" with measure "angle", and with no other')
        return self


    @property
    def kind(self) -> str:
        """Of the unit: "m" or "deg"."""
        return "deg" if self.unit in ANGLES else "m"

    @property
    def size(self) -> float:
        """m or rad per unit."""
        return SIZE[self.unit]

    @property
    def step(self) -> float:
        """Smallest that can be typed, in the unit."""
        return self.round or STEP[self.unit]

    @property
    def weights(self) -> dict[str, float]:
        """A sum of parameters and derived quantities; nothing of a `measure`."""
        return self.sum or ({} if self.is_ is None else {self.is_: 1.0})

    def rounded(self, value: float) -> float:
        """The nearest value that can be typed."""
        return float(np.round(value / self.step) * self.step)

    @property
    def decimals(self) -> int:
        """How many a value is typed with."""
        return next((k for k in range(10)
                     if abs(self.step * 10**k - round(self.step * 10**k)) < 1e-9), 10)

    def text(self, value: float) -> str:
        """A value as it is typed.

        Examples
        --------
        >>> boom = Entry(name="boom", unit="mm", round=0.5, is_="boom_length")
        >>> boom.text(5702.26), boom.text(-0.1)
        ('5702.5', '0.0')
        """
        return f"{self.rounded(value):z.{self.decimals}f}"


class ListSchema(_Strict):
    """A whole list."""

    title: Annotated[str, Field(max_length=200)] | None = None
    known: dict[str, Number] = {}
    entry: Annotated[list[Entry], Field(min_length=1, max_length=MOST)]


def checked(data: Mapping[str, Any]) -> ListSchema:
    """The list that a mapping describes, in itself; not yet whether a rig has what it names.

    Raises
    ------
    EntriesError
    """
    try:
        return ListSchema.model_validate(data)
    except ValidationError as error:
        raise EntriesError(
            (".".join(str(part) for part in e["loc"]), *_in_words(e)) for e in error.errors()
        ) from None


def sound_entries(data: Mapping[str, Any]) -> dict[int, Entry]:
    """The entries of a mapping by their number, each without what is wrong by itself."""
    entries = data.get("entry")
    sound = {}
    for i, entry in enumerate(entries if isinstance(entries, list) else ()):
        try:
            sound[i] = Entry.model_validate(entry)
        except ValidationError as error:
            wrong = {e["loc"][0] for e in error.errors() if e["loc"]}
            if wrong:
                rest = {key: value for key, value in entry.items() if key not in wrong}
                with suppress(ValidationError):
                    sound[i] = Entry.model_validate(
                        {"name": f"entry {i + 1}", "unit": "mm", **rest})
    return sound


def _in_words(error):
    found, expected = in_words(error)
    if error["type"] == "value_error" and isinstance(error["input"], dict):
        found = "keys " + ", ".join(error["input"])
    return found, expected
