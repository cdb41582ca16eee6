"""How commands speak: results to stdout, talk to stderr; nothing that disturbs a terminal."""

import json
import os
import re
import shlex
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from calib.console.interrupt import stop_if_asked

if TYPE_CHECKING:
    from calib.document.fields import Record

#: Exit codes, the same for every command.
DONE, FAULT, USAGE, INPUT, NOT_CONVERGED, NOT_DETERMINED, GATE_FAILED = range(7)

#: JSON escapes those ASCII characters that need it by itself.
_NOT_ASCII = re.compile(r"[^\x00-\x7e]")

#: Of more things of one kind than this only the first are told, and how many there are.
MOST = 50


def prepare() -> None:
    """Make the standard streams fit to be written to, whatever the process was started with."""
    # A stream that is closed would be the next file that is opened.
    with suppress(OSError):
        while (descriptor := os.open(os.devnull, os.O_RDWR)) <= 2:
            pass
        os.close(descriptor)
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))
        elif hasattr(getattr(sys, name), "reconfigure"):
            # A character that the terminal's encoding lacks is shown as its escape.
            getattr(sys, name).reconfigure(errors="backslashreplace")
    # What libraries draw would be drawn as wide as is asked for, if it takes all day.
    if len(os.environ.get("COLUMNS", "")) > len("999"):
        del os.environ["COLUMNS"]
    # Threads that are not started need not be told to wait (see `calib.adjust.threads`).
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
        os.environ.setdefault(name, "1")
    # Plugins of pydantic would be looked for in all that is installed.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    # Nothing is shown in a window, whatever a notebook has set.
    os.environ["MPLBACKEND"] = "agg"


def printable(text: str) -> str:
    """`text` with everything that a terminal would obey or hide shown as an escape.

    Examples
    --------
    >>> print(printable("a \\x1b[31m b"), printable("größe\\n"), end="")
    a \\x1b[31m b größe
    """
    if text.isascii() and text.replace("\n", "").isprintable():
        return text
    return "".join(c if c.isprintable() or c == "\n" else repr(c)[1:-1] for c in text)


def tell(text: str) -> None:
    """Say something to the person, on stderr."""
    with _reader_may_be_gone(sys.stderr):
        sys.stderr.write(printable(text) + "\n")
        sys.stderr.flush()
    stop_if_asked()


def tell_all(lines: Iterable[object]) -> None:
    """Say several things, a line each; the first `MOST` of them."""
    lines = list(lines)
    for line in lines[:MOST]:
        tell(str(line))
    if len(lines) > MOST:
        tell(f"... and {len(lines) - MOST:,} more")


def result(text: str) -> None:
    """Write a result to stdout."""
    stop_if_asked()
    text = printable(text)
    with _reader_may_be_gone(sys.stdout):
        sys.stdout.write(text if text.endswith("\n") else text + "\n")
        sys.stdout.flush()


def json_text(document: "dict | Record") -> str:
    """One JSON document, numbers as numbers, nothing that JSON does not know.

    `document` is a dict, or a record of `calib.document`.
    """
    if not isinstance(document, dict):
        document = document.table()
    return escaped(json.dumps(document, indent=1, allow_nan=False, ensure_ascii=False)) + "\n"


def escaped(text: str) -> str:
    """JSON that says the same and cannot disturb a terminal that shows it.

    Examples
    --------
    >>> print(escaped('"größe \u202e"'))
    "größe \\u202e"
    """
    if text.isascii():
        return text
    return _NOT_ASCII.sub(
        lambda found: found[0] if found[0].isprintable() else json.dumps(found[0])[1:-1], text)


#: What to type next, as a command says it; told as the very last line.
_following: list[str] = []


def command(*words: object) -> str:
    """A command as a shell takes it, from its words without ``calib``."""
    return shlex.join(["calib", *map(str, words)])


def follow(*words: object) -> None:
    """Name the command to type next, without ``calib``; it is told when the command has ended.

    Examples
    --------
    >>> follow("sheet", "a run/result")
    >>> following()
    "calib sheet 'a run/result'"
    """
    _following[:] = [command(*words)]


def follow_printed(words: Sequence[object], file: Path, then: Callable[[Path], Sequence[object]]
                   ) -> None:
    """After something to fill in: what uses the file it went to; to print it to `file` if to none.

    A `file` that is there is used, never printed over: somebody may have filled it in.
    """
    near = (path for folder in (file.parent, Path()) for deep in ("*", "*/*")
            for path in folder.glob(deep + file.suffix))
    kept = next(filter(_is_stdout, near), file if file.exists() else None)
    if kept is None:
        follow_line(f"{command(*words)} > {shlex.quote(str(file))}")
    else:
        follow(*then(kept))


def _is_stdout(path):
    """Whether this file is what stdout was sent to."""
    with suppress(OSError, ValueError):
        return os.path.samestat(path.stat(), os.fstat(sys.stdout.fileno()))
    return False


def follow_line(command: str, fill_in: Iterable[str] = ()) -> None:
    """Name the command to type next, as a shell takes it; `fill_in` is told just before."""
    _following[:] = [command, *fill_in]


def to_fill_in() -> list[str]:
    """What must be filled into the command to type next before it can run."""
    return _following[1:]


def following() -> str | None:
    """The command to type next, as a shell takes it; None if nobody has named one. Forgets it."""
    command = next(iter(_following), None)
    _following.clear()
    return command


def answer(document: "dict | Record", text: str, as_json: bool) -> None:
    """Write what was found to stdout: one JSON document, or `text`."""
    result(json_text(document) if as_json else text)


def tell_cautions() -> None:
    """Say the cautions to whoever is sent to a machine."""
    from calib.report.words.cautions import CAUTIONS

    tell("Before anyone goes to the machine:")
    tell_all(f"- {caution}" for caution in CAUTIONS)


@contextmanager
def _reader_may_be_gone(stream):
    """Nobody reads on (``| head -1``): that is no fault, and the work goes on."""
    try:
        yield
    except BrokenPipeError:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


@contextmanager
def working(what: str) -> Iterator[None]:
    """Say what is being done while it is; a moving line on a terminal, one line elsewhere."""
    if not sys.stderr.isatty():
        tell(what + " ...")
        yield
    else:
        from rich.console import Console

        with Console(stderr=True).status(printable(what)):
            yield
    stop_if_asked()


@contextmanager
def progress(what: str, total: int) -> Iterator[Callable[[int], None]]:
    """Say how much of something is done: a bar on a terminal, one line elsewhere.

    Yields what is to be told the number that is done.
    """
    if not sys.stderr.isatty():
        tell(what + " ...")
        yield lambda done: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(printable(what), total=total)
        yield lambda done: bar.update(task, completed=done)
