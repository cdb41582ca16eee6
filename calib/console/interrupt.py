"""Ctrl-C and its like: one line, and an exit status that says so."""

import shlex
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager


class Interrupted(BaseException):
    """A signal asked to stop; `number` is the signal's. No fault, so no Exception."""

    def __init__(self, number: int):
        self.number = number
        super().__init__(number)


#: The signal that has asked to stop. What it raises is lost where Python cannot pass it on: while a
#: module's lock or an object is given up.
_asked: list[int] = []

_SIGNALS = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP")
            if hasattr(signal, name)]


def stop_if_asked() -> None:
    """Stop where a signal has asked for it and was not heard."""
    if _asked and not isinstance(sys.exception(), Interrupted):
        raise Interrupted(_asked[0])


@contextmanager
def interrupts_told(following: Callable[[], str | None], to_the_end: bool = False
                    ) -> Iterator[None]:
    """Inside, a signal to stop unwinds everything, says so and exits with 128 and its number.

    Parameters
    ----------
    following : callable
        The command to type next, if one was named; else the same again is.
    to_the_end : bool
        The process ends behind: a signal then comes too late to stop anything and is ignored.
        Else the handlers are as before.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before, inside = {}, True
    _asked.clear()

    def interrupt(number, frame):
        if inside:
            _asked.append(number)
            raise Interrupted(number)

    try:
        for number in _SIGNALS:
            # What is ignored stays ignored: nohup does that.
            if signal.getsignal(number) not in (signal.SIG_IGN, None):
                before[number] = signal.signal(number, interrupt)
        try:
            yield
        finally:
            inside = False
            _asked.clear()
    except Interrupted as stop:
        inside = False
        if sys.stderr is not None:
            again = following() or shlex.join(["calib", *sys.argv[1:]])
            sys.stderr.write(f"\nInterrupted. Nothing is half-written.\nNext: {again}\n")
        sys.exit(128 + stop.number)
    finally:
        for number, handler in before.items():
            signal.signal(number, signal.SIG_IGN if to_the_end else handler)
