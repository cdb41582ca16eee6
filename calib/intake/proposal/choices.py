"""A question that files leave open or answer: what is proposed, and what else."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Alternative:
    """One answer."""

    says: str  #: What it is, and what it gives.
    declares: Mapping[str, Any]  #: As `calib.intake.declaration.declare` takes it.
    option: str  #: How the command line says it.


@dataclass(frozen=True)
class Choice:
    """One question."""

    about: str  #: What is asked, in words.
    alternatives: tuple[Alternative, ...] = field(default=())  #: The first is proposed.
    sure: bool = False  #: Whether the files leave no doubt.
    why: str = ""  #: What tells it, or why it is doubtful.
    #: Key of the declaration that a typed answer fills, where there is none to choose; a point
    #: before the last part for one in a table.
    typed: str = ""
    option: str = ""  #: The option for what is typed.
    file: Path | None = None  #: Asked of one file: its part. The answers are no declarations then.

    def answered(self, text: str) -> Mapping[str, Any]:
        """What a typed answer declares."""
        out: Any = text
        for key in reversed(self.typed.split(".")):
            out = {key: out}
        return out


def stated(about: str, why: str, says: str, option: str = "", **declares: Any) -> Choice:
    """A choice that the files leave no doubt about."""
    return Choice(about, (Alternative(says, declares, option),), True, why)
