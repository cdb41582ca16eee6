"""A question that files leave open or answer: what is proposed, and what else."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Alternative:
    """One answer.

    Attributes
    ----------
    says : str
        What it is, and what it gives.
    declares : mapping
        As `calib.intake.declaration.declare` takes it.
    option : str
        How the command line says it.
    """

    says: str
    declares: Mapping[str, Any]
    option: str


@dataclass(frozen=True)
class Choice:
    """One question.

    Attributes
    ----------
    about : str
        What is asked, in words.
    alternatives : tuple of Alternative
        The first is proposed.
    sure : bool
        Whether the files leave no doubt.
    why : str
        What tells it, or why it is doubtful.
    typed : str
        Key of the declaration that a typed answer fills, where there is none to choose; a point
        before the last part for one in a table.
    option : str
        The option for what is typed.
    file : Path or None
        Asked of one file: its part. The answers are no declarations then.
    """

    about: str
    alternatives: tuple[Alternative, ...] = field(default=())
    sure: bool = False
    why: str = ""
    typed: str = ""
    option: str = ""
    file: Path | None = None

    def answered(self, text: str) -> Mapping[str, Any]:
        """What a typed answer declares."""
        out: Any = text
        for key in reversed(self.typed.split(".")):
            out = {key: out}
        return out


def stated(about: str, why: str, says: str, option: str = "", **declares: Any) -> Choice:
    """A choice that the files leave no doubt about."""
    return Choice(about, (Alternative(says, declares, option),), True, why)
