"""How commands speak: results to stdout, talk to stderr."""

import json
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from rich.console import Console

#: Exit codes, the same for every command.
DONE, FAULT, USAGE, INPUT, NOT_CONVERGED, NOT_DETERMINED, GATE_FAILED = range(7)

_stderr = Console(stderr=True, highlight=False, soft_wrap=True)


def tell(text: str) -> None:
    """Say something to the person, on stderr."""
    _stderr.print(text, markup=False)


def tell_all(lines: Iterable[object]) -> None:
    """Say several things, a line each."""
    for line in lines:
        tell(str(line))


def result(text: str) -> None:
    """Write a result to stdout."""
    sys.stdout.write(text if text.endswith("\n") else text + "\n")


def result_json(document) -> None:
    """Write one JSON document to stdout."""
    result(json.dumps(document, indent=1, allow_nan=False, ensure_ascii=False))


@contextmanager
def working(what: str) -> Iterator[None]:
    """Say what is being done while it is; a moving line on a terminal, one line elsewhere."""
    if _stderr.is_terminal:
        with _stderr.status(what):
            yield
    else:
        tell(what + " ...")
        yield
