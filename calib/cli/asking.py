"""Questions to the person at the terminal; nobody is asked where nobody can answer."""

import sys
from collections.abc import Callable, Sequence
from typing import Any

import typer

from calib.cli import talk


def somebody_answers() -> bool:
    """Whether a person sits at both ends: what is asked is seen, and what is typed is theirs."""
    return sys.stdin is not None and sys.stdin.isatty() and sys.stderr.isatty()


def _line(prompt):
    talk.tell(prompt)
    try:
        return input("> ").strip()
    except EOFError:
        talk.tell("No answer: nothing was written.")
        raise typer.Exit(talk.INPUT) from None


def choose(question: str, answers: Sequence[str]) -> int:
    """The number of an answer; the first for an empty line."""
    numbered = "".join(f"\n  {n}  {answer}" for n, answer in enumerate(answers, 1))
    while True:
        said = _line(f"{question}{numbered}\n(1, or the number of another)")
        if said == "":
            return 0
        if said.isdecimal() and 1 <= int(said) <= len(answers):
            return int(said) - 1
        talk.tell(f"Type a number from 1 to {len(answers)}.")


def typed(question: str, read: Callable[[str], Any], default: str = "") -> Any:
    """What is typed, as `read` takes it; asked again while that raises ValueError."""
    while True:
        said = _line(question + (f" ({default})" if default else "")) or default
        try:
            return read(said)
        except ValueError as error:
            talk.tell(str(error))


def agreed(question: str) -> bool:
    """Yes, unless it begins like no."""
    return not _line(f"{question} (yes, or no)").casefold().startswith("n")
