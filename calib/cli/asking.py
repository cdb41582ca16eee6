"""Questions to the person at the terminal; nobody is asked where nobody can answer."""

import io
import os
import stat
import sys
from collections.abc import Callable, Sequence
from typing import Any

import typer

from calib.console import talk


def somebody_answers() -> bool:
    """Whether a person sits at both ends: what is asked is seen, and what is typed is theirs."""
    return sys.stdin is not None and sys.stdin.isatty() and sys.stderr.isatty()


def answers_come() -> bool:
    """Whether there are answers: a person, or a pipe or file with them in it."""
    if somebody_answers():
        return True
    try:
        kind = os.fstat(sys.stdin.fileno()).st_mode
    except (AttributeError, OSError, ValueError):
        return False
    written = stat.S_ISFIFO(kind) or stat.S_ISREG(kind)
    typed = sys.stdin.buffer
    return written and isinstance(typed, io.BufferedReader) and typed.peek(1) != b""


def _line(prompt):
    talk.tell(prompt)
    try:
        return input("> ").strip()
    except EOFError:
        talk.tell("The answers end here, and this one is missing: nothing was written. An empty "
                  "line takes what is proposed; --yes takes it everywhere.")
        raise typer.Exit(talk.INPUT) from None


BACK = "back"
"""Typed for an answer: the question before is asked again."""


class Back(Exception):
    """The question before is to be asked again."""


def choose(question: str, answers: Sequence[str], usual: int | None = 0,
           back: bool = False) -> int:
    """The number of an answer; the usual one for an empty line.

    Parameters
    ----------
    usual : int or None
        None: an empty line is no answer.
    back : bool
        Whether there is a question before.

    Raises
    ------
    Back
    """
    numbered = "".join(f"\n  {n}  {answer}" for n, answer in enumerate(answers, 1))
    hint = "a number" if usual is None else f"Enter: {usual + 1}, or the number of another"
    while True:
        said = _line(f"{question}{numbered}\n({hint}{f'; {BACK}: the question before' * back})")
        if said == "" and usual is not None:
            return usual
        if back and said.casefold() == BACK:
            raise Back
        if said.isdecimal() and 1 <= int(said) <= len(answers):
            return int(said) - 1
        talk.tell(f"Type a number from 1 to {len(answers)}.")


def typed(question: str, read: Callable[[str], Any], default: str = "", back: bool = False) -> Any:
    """What is typed, as `read` takes it; asked again while that raises ValueError.

    Raises
    ------
    Back
        If there is a question before, and it is to be asked again.
    """
    hints = [f" ({default})"] * bool(default) + [f" ({BACK}: the question before)"] * back
    while True:
        said = _line(question + "".join(hints)) or default
        if back and said.casefold() == BACK:
            raise Back
        try:
            return read(said)
        except ValueError as error:
            talk.tell(str(error))


def agreed(question: str) -> bool:
    """Whether yes is typed, or nothing; what is neither yes nor no is asked again."""
    while True:
        said = _line(f"{question} (Enter: yes, or no)").casefold()
        if said in ("", "y", "yes", "n", "no"):
            return said in ("", "y", "yes")
        talk.tell("Type yes or no.")
