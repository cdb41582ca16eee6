"""A question that files leave open or answer: what is proposed, and what else."""

import re
import shlex
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calib.run.complaints import Complaint, InputError, quote

NO_TARGET = "no target: leave out"

_QUESTIONS = ((r"(what) (.*) (is|are)", r"\1 \3 \2"), (r"whether (.*?) (is|are) (.*)", r"\2 \1 \3"),
              (r"(how|how well) (.*) are (\w+)", r"\1 are \2 \3"),
              (r"(how|where) ((?:the )?[\w-]+s (?:name|stand)\b.*)", r"\1 do \2"),
              (r"(the column .*)", r"which is \1"), (r"(the .*)", r"what is \1"),
              (r"(standard deviations .*)", r"what are the \1"))
"""What is asked as part of a sentence, and as a question."""


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
    unseen: bool = True  #: Whether the first does no harm that is taken without a look.

    @property
    def question(self) -> str:
        """What is asked of a person.

        Examples
        --------
        >>> [Choice(about).question for about in ('what "A" is', "the unit of lengths")]
        ['What is "A"?', 'What is the unit of lengths?']
        >>> Choice("whether coordinates are on the ground").question
        'Are coordinates on the ground?'
        >>> Choice("how points name pose and target").question
        'How do points name pose and target?'
        """
        asked = next((match.expand(asks) for said, asks in _QUESTIONS
                      if (match := re.fullmatch(said, self.about))), self.about)
        return f"{asked[:1].upper()}{asked[1:]}?"

    @property
    def sayings(self) -> str:
        """What to say on the command line."""
        options = [a.option for a in self.alternatives if a.option] or [self.option]
        return " or ".join(filter(None, options)) or "another file"

    def answered(self, text: str) -> Mapping[str, Any]:
        """What a typed answer declares."""
        out: Any = text
        for key in reversed(self.typed.split(".")):
            out = {key: out}
        return out


def stated(about: str, why: str, says: str, option: str = "", **declares: Any) -> Choice:
    """A choice that the files leave no doubt about."""
    return Choice(about, (Alternative(says, declares, option),), True, why)


def what_is(word: str, targets: Iterable[str], why: str, sure: bool = False, proposed: bool = False,
            unseen: bool = False) -> Choice:
    """What a crew's word for a target means.

    Parameters
    ----------
    targets : iterable of str
        What it may be, the likeliest first; - is no target.
    proposed : bool
        Whether the first is proposed; else the command line is to say which.
    """
    return Choice(f"what {quote(word)} is", tuple(Alternative(
        NO_TARGET if target == "-" else target, {"targets": {word: target}},
        f"--target {shlex.quote(f'{word}={target}')}") for target in targets), sure, why,
        option="" if proposed else f"--target {shlex.quote(f'{word}=TARGET')}", unseen=unseen)


class Doubtful(InputError):
    """What files leave open, and a person can settle.

    Attributes
    ----------
    choices : tuple of Choice
    """

    def __init__(self, choices: Sequence[Choice], file: str = "import",
                 complaints: Sequence[Complaint] = ()):
        self.choices = tuple(choices)
        super().__init__(complaints or [
            Complaint(file, None, None, f"nothing that settles {choice.about} ({choice.why})",
                      choice.sayings) for choice in choices])
