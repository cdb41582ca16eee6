"""A second process that helps to judge and to draw: it loads what it needs while this one does.

It begins as a copy of this process. Only where there is a second processor with nothing to do, and
only of a process that runs no threads: one in which libraries do is not to be copied, and one that
is itself a worker among others has no processor to spare.
"""

from __future__ import annotations

import atexit
import os
import pickle
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from importlib import import_module
from typing import Any, BinaryIO, ClassVar


def load(*modules: str) -> None:
    """Have modules loaded in the process that calls this."""
    for module in modules:
        import_module(module)


def call(function: str, *arguments: Any) -> Any:
    """Call ``module:function``: who asks for it elsewhere has not to load it."""
    module, name = function.split(":")
    return getattr(import_module(module), name)(*arguments)


def later(function: Callable, *arguments: Any) -> Callable[[], Any]:
    """`SecondProcess.later`; where there is none what is returned calls the function."""
    return (SecondProcess.running.later if SecondProcess.running else partial)(function, *arguments)


@dataclass(frozen=True)
class SecondProcess:
    """A process that waits for calls. Start one with `SecondProcess.start`."""

    #: The one of this process; None if there is none.
    running: ClassVar[SecondProcess | None] = None

    pid: int
    to: BinaryIO
    back: BinaryIO
    awaited: list[list[Any]] = field(default_factory=list)  #: Where results go as they come.

    @classmethod
    def start(cls) -> SecondProcess | None:
        """A process to call; None where there is none."""
        if not _to_be_had():
            return None
        there, to = os.pipe()
        back, here = os.pipe()
        pid = os.fork()
        if pid:
            os.close(there)
            os.close(here)
            cls.running = cls(pid, os.fdopen(to, "wb"), os.fdopen(back, "rb"))
            atexit.register(cls.running.end)
            return cls.running
        os.close(to)
        os.close(back)
        try:
            _serve(os.fdopen(there, "rb"), os.fdopen(here, "wb"))
        finally:
            os._exit(0)  # nothing of what the first process has begun is ended here

    def later(self, function: Callable, *arguments: Any) -> Callable[[], Any]:
        """Call a function of a module there.

        What is returned gives its result, once; it calls the function here if there is none, for
        whatever reason.
        """
        came: list[Any] = []
        self.awaited.append(came)
        with suppress(BrokenPipeError):
            pickle.dump((function, arguments), self.to)
            self.to.flush()

        def result():
            try:
                while not came:
                    self.awaited.pop(0).append(pickle.load(self.back))
            except (EOFError, IndexError, pickle.UnpicklingError):
                return function(*arguments)
            return came.pop()

        return result

    def end(self) -> None:
        """End the process, whatever it does; the end of this one calls it."""
        with suppress(ProcessLookupError, ChildProcessError):
            os.kill(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)


def _to_be_had() -> bool:
    if sys.platform != "linux" or len(os.listdir("/proc/self/task")) > 1:
        return False
    processors = len(os.sched_getaffinity(0))
    return processors > 1 and os.getloadavg()[0] < processors - 0.5


def _serve(asked, reply):
    from concurrent.futures import ThreadPoolExecutor  # takes a while: only there

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)
    # Who reads what the first process writes does not wait for this one.
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in range(3):
        os.dup2(nowhere, stream)

    def answer(function, arguments):
        try:
            pickle.dump(function(*arguments), reply)
            reply.flush()
        except BaseException:
            os._exit(1)

    # What is asked is taken in while another call is answered: the first process never waits to
    # ask. It ends at the end of the file: the first one has ended or needs nothing.
    with ThreadPoolExecutor(1) as worker:
        while True:
            worker.submit(answer, *pickle.load(asked))
