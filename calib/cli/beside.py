"""A second process that helps to draw: it loads what draws while this one solves.

Only where there is a second processor with nothing to do, and only from a process that nothing has
set up yet: one in which libraries already run threads is not to be forked, and one that is itself a
worker among others has no processor to spare.
"""

from __future__ import annotations

import atexit
import os
import pickle
import signal
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from importlib import import_module
from typing import Any, BinaryIO


@dataclass(frozen=True)
class Beside:
    """A process that waits for one call. Start one with `Beside.start`."""

    pid: int
    to: BinaryIO
    back: BinaryIO

    @classmethod
    def start(cls, loads: str) -> Beside | None:
        """A process that has loaded the module `loads`; None where there is none to have."""
        if not _to_be_had():
            return None
        there, to = os.pipe()
        back, here = os.pipe()
        pid = os.fork()
        if pid:
            os.close(there)
            os.close(here)
            beside = cls(pid, os.fdopen(to, "wb"), os.fdopen(back, "rb"))
            atexit.register(beside.end)
            return beside
        os.close(to)
        os.close(back)
        try:
            _serve(loads, os.fdopen(there, "rb"), os.fdopen(here, "wb"))
        finally:
            os._exit(0)  # nothing of what the first process has begun is ended here

    def ask(self, function: Callable, *arguments: Any) -> None:
        """Call a function of a module there; `answer` has what it returns."""
        with suppress(BrokenPipeError), self.to:
            pickle.dump((function, arguments), self.to)

    def answer(self) -> Any:
        """What the function returned; None if it did not, for whatever reason."""
        with self.back:
            try:
                return pickle.load(self.back)
            except (EOFError, pickle.UnpicklingError):
                return None

    def end(self) -> None:
        """End the process, whatever it does; the end of this one calls it."""
        with suppress(ProcessLookupError, ChildProcessError):
            os.kill(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)


def _to_be_had() -> bool:
    if sys.platform != "linux" or threading.active_count() > 1 or "numpy" in sys.modules:
        return False
    processors = len(os.sched_getaffinity(0))
    return processors > 1 and os.getloadavg()[0] < processors - 0.5


def _serve(loads, asked, reply):
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)
    # Who reads what the first process writes does not wait for this one.
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in range(3):
        os.dup2(nowhere, stream)
    import_module(loads)
    # The end of the file where the first process has ended or needs nothing: EOFError.
    function, arguments = pickle.load(asked)
    with reply:
        pickle.dump(function(*arguments), reply)
