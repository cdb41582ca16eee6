"""Work done beside other work, in a copy of this process, where the system can make one."""

import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def beside(work: Callable[[], bytes]) -> Iterator[Callable[[], bytes]]:
    """Start `work` at once; the function given waits for what it makes.

    Without a second processor, or where a process cannot safely be copied, the work is done when
    it is waited for. The same if the copy fails: an error then appears here. On leaving, however
    that is, the copy has ended.
    """
    if (os.cpu_count() or 1) < 2 or sys.platform != "linux":
        yield work
        return
    copies = multiprocessing.get_context("fork")
    receiving, sending = copies.Pipe(duplex=False)
    process = copies.Process(target=_work_and_send, args=(work, receiving, sending), daemon=True)
    process.start()
    sending.close()

    def wait() -> bytes:
        try:
            return receiving.recv_bytes()
        except EOFError:
            return work()

    try:
        yield wait
    finally:
        process.kill()
        process.join()
        receiving.close()


def _work_and_send(work, receiving, sending):
    # Signals end the copy as they would any program: to say something is up to the other.
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)
    # Without a reader it must fail, not wait, when the other is killed.
    receiving.close()
    try:
        sending.send_bytes(work())
    except BaseException:
        # The one who waits does the work again and sees the error.
        os._exit(1)
