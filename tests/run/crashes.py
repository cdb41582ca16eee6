"""A process that dies at its nth call of the operating system, for every n."""

import os
import traceback

#: What changes a disk, as `pathlib` and `shutil` call it too.
CALLS = ("mkdir", "rename", "replace", "link", "unlink", "rmdir", "fsync", "open")

DIED, DONE = 17, 0


def dies_at(work, nth):
    """Do `work` in a copy of this process that ends without a word just before its nth call.

    Returns
    -------
    bool
        Whether it died; False: the work was done before.
    """
    child = os.fork()
    if child == 0:
        status = 99
        try:
            _mine(nth)
            work()
            status = DONE
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    _, waited = os.waitpid(child, 0)
    status = os.waitstatus_to_exitcode(waited)
    assert status in (DIED, DONE)
    return status == DIED


def _mine(nth):
    count = 0

    def counted(real):
        def call(*arguments, **named):
            nonlocal count
            count += 1
            if count == nth:
                os._exit(DIED)
            return real(*arguments, **named)
        return call

    for name in CALLS:
        setattr(os, name, counted(getattr(os, name)))


def crash_points(prepare, work):
    """Prepare, die at the nth call, yield n; until the work is done without dying."""
    for nth in range(1, 1000):
        prepare()
        if not dies_at(work, nth):
            return
        yield nth
    raise AssertionError("the work never ends")
