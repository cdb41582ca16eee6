"""One writer at a time in a place; a killed writer leaves nothing locked."""

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from calib.run.complaints import InputError

fcntl: Any = None
with contextlib.suppress(ImportError):  # Windows: there the file goes with its last handle
    import fcntl

#: Seconds to wait for another writer; writing takes a fraction of one.
PATIENCE = 20.0


@contextlib.contextmanager
def only_writer(lock: Path, folder: Path) -> Iterator[None]:
    """Hold the lock file `lock` while writing into `folder`.

    Raises
    ------
    InputError
        If another writer holds it for longer than `PATIENCE`.
    OSError
        If the lock file cannot be made.
    """
    end = time.monotonic() + PATIENCE
    while (descriptor := _taken(lock)) is None:
        if time.monotonic() > end:
            raise InputError.of(folder, "another calib writing there",
                                "one at a time (wait for it to end, or name another folder)")
        time.sleep(0.02)
    try:
        yield
    finally:
        # Taken away while it is still held: whoever opened it before looks again.
        with contextlib.suppress(OSError):
            lock.unlink()
        os.close(descriptor)


def _taken(lock: Path) -> int | None:
    """A descriptor that holds the lock; None if another has it."""
    if sys.platform == "win32":
        with contextlib.suppress(FileExistsError):
            return os.open(lock, os.O_CREAT | os.O_EXCL | os.O_TEMPORARY)
        return None
    descriptor = os.open(lock, os.O_CREAT | os.O_RDWR | os.O_NOFOLLOW, 0o666)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        if os.stat(lock, follow_symlinks=False).st_ino == os.fstat(descriptor).st_ino:
            return descriptor
    except (BlockingIOError, FileNotFoundError):
        pass
    os.close(descriptor)
    return None
