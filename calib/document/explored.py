"""The document of an exploration: which effects a run asks for."""

from pydantic import Field

from calib.document.diagnosed import Figures
from calib.document.fields import Flag, Maybe, Number, Record, Spread, Unit


class EffectSize(Record):
    """A parameter that an effect adds."""

    name: str
    value: Number
    sd: Spread
    unit: Unit


class EffectTried(Record):
    """An effect that fits the rig, as it was tried on the run."""

    name: str
    words: str
    verdict: str
    others: list[str] = Field(description="effects that the verdict is about too")
    why: str | None = Field(description="it cannot be told")
    parameters: list[EffectSize]
    statistic: Maybe = Field(description="what it takes off chi2; null if it was not tested")
    dof: int
    chance: Maybe = Field(
        description="that some effect takes off as much in a run without any")
    aic: Maybe = Field(description="with the effect less without")
    bic: Maybe = Field(description="with the effect less without")
    edge: Maybe = Field(description="what it changes at the edge, worst over the envelope, m")
    unseen: Maybe = Field(
        description="what one of a size that is found in four of five runs changes there, m")
    solved: Flag = Field(description="else to first order")


class EffectFound(Record):
    """An effect that the run asks for, those found before it in the rig."""

    effect: EffectTried
    alike: list[EffectTried] = Field(description="that do about as well in its place")


class Adopted(Record):
    """A copy of the run with effects in its rig."""

    folder: str
    effects: list[str]
    before: Figures
    after: Figures


class Explored(Record):
    """What ``calib explore`` prints."""

    says: str
    asked: list[str]
    fits: Flag = Field(description="the global test, with what was found")
    mistake: str | None = Field(description="that explains the run better than any effect")
    set_aside: list[str]
    instead: list[str] = Field(
        description="values that would explain as much as the effects, were they wrong")
    found: list[EffectFound]
    effects: list[EffectTried]
    test: str
    run_level: float = Field(description="chance that a clean run asks for an effect")
    next: list[str] = Field(description="commands")
    adopted: Adopted | None = Field(None, description="the copy that was written")
