"""Work done beside other work, in a copy of this process, where the system can make one."""

import multiprocessing
import os
import sys
from collections.abc import Callable


def beside(work: Callable[[], bytes]) -> Callable[[], bytes]:
    """Start `work` at once; the function returned waits for what it makes.

    Without a second processor, or where a process cannot safely be copied, the work is done when
    it is waited for. The same if the copy fails: an error then appears here.
    """
    if (os.cpu_count() or 1) < 2 or sys.platform != "linux":
        return work
    copies = multiprocessing.get_context("fork")
    receiving, sending = copies.Pipe(duplex=False)
    process = copies.Process(target=_work_and_send, args=(work, sending))
    process.start()
    sending.close()

    def wait() -> bytes:
        try:
            return receiving.recv_bytes()
        except EOFError:
            return work()
        finally:
            process.join()

    return wait


def _work_and_send(work, sending):
    try:
        sending.send_bytes(work())
    except Exception:
        # The one who waits does the work again and sees the error.
        os._exit(1)
