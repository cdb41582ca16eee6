"""What the sensors' log ends with: the mean of its last seconds, and whether anything moved."""

import hashlib
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from calib.chain.rig import Rig
from calib.intake.declaration import LogDeclaration
from calib.intake.files.log import blocks, gather, read_layout
from calib.intake.matching.dwell import dwell
from calib.run.complaints import Findings, InputError
from calib.run.text import whole_lines

#: Only so much of the end of a log is read, bytes.
_TAIL = 1 << 17

#: The log's last row may be so old by its own clock that a gap before it counts, s.
_LONGEST_GAP = 1.0


@dataclass(frozen=True)
class Seen:
    """The end of a log."""

    readings: dict[str, str]  #: Means over the last seconds, deg or m; empty if there is `trouble`.
    moving: tuple[str, ...] = ()  #: Readings that move in those seconds.
    trouble: tuple[str, ...] = ()  #: Why it cannot be read.


@dataclass
class Sensors:
    """Follows the log that the sensors write."""

    log: Path
    _stamp: tuple[int, int] | None = None
    _seen: Seen = field(default_factory=lambda: Seen({}))
    _grew: float | None = None  #: By the clock that nobody sets.
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False)

    def look(self, rig: Rig, declared: LogDeclaration) -> Seen:
        """What the log ends with now; read only if it has grown."""
        with self._lock:
            try:
                status = self.log.stat()
                if (stamp := (status.st_mtime_ns, status.st_size)) != self._stamp:
                    # Set back, the clock would make a log that stands still look new for hours.
                    self._grew = time.monotonic() - max(0.0, time.time() - status.st_mtime)
                    self._seen = last_readings(self.log, rig, declared)
                    self._stamp = stamp
            except OSError as error:
                self._stamp = self._grew = None
                self._seen = Seen({}, trouble=(f"{self.log.name}: {error.strerror or error}",))
            except InputError as error:
                self._seen = Seen({}, trouble=tuple(str(c) for c in error.complaints))
            return self._seen

    def age(self) -> float | None:
        """Seconds since the log grew, at the last look; None if it was not there."""
        return None if self._grew is None else time.monotonic() - self._grew


def last_readings(log: Path, rig: Rig, declared: LogDeclaration) -> Seen:
    """Mean readings over the last ``declared.window`` seconds of a log.

    Raises
    ------
    InputError
        If the log cannot be read.
    OSError
    """
    findings = Findings()
    names = {name: tuple(filter(None, [declared.readings.get(name)])) for name in rig.reading_names}
    layout = findings.sound(read_layout(
        log, findings, names, declared.readings.get("time"), rig.strokes))
    with tempfile.TemporaryDirectory(prefix="calib-yard-") as place:
        tail = Path(place) / log.name
        tail.write_bytes(_head_and_tail(log, layout.first_line))
        times = declared.times()
        ends = [block.seconds[-1] for block in
                blocks(tail, layout, times, findings, hashlib.sha256()) if len(block.seconds)]
        findings.stop_if_at_fault()
        if not ends:
            raise InputError.of(log.name, "no rows yet", "rows with a time and every reading")
        window = np.array([ends[-1] - declared.window, ends[-1]])
        rows, _ = gather(tail, layout, times, window[None], findings)
    findings.stop_if_at_fault()
    found = dwell(rows[0], window)
    if found is None or found.longest_gap > _LONGEST_GAP:
        raise InputError.of(log.name, f"too few rows in the last {declared.window:g} s",
                            "a log that goes on while the machine stands")
    columns = list(layout.columns)
    moving = found.moving(declared.still)
    return Seen({name: f"{value:.3f}" for name, value in zip(columns, found.mean, strict=True)},
                tuple(name for name, moves in zip(columns, moving, strict=True) if moves))


def _head_and_tail(log, first_line):
    """The lines before the first row, and the whole lines at the end."""
    with log.open("rb") as stream:
        head = b"".join(stream.read(_TAIL).splitlines(keepends=True)[:first_line - 1])
        start = max(len(head), stream.seek(0, 2) - _TAIL)
        stream.seek(start)
        tail = whole_lines(stream.read())
    return head + (tail if start == len(head) else
                   b"".join(tail.splitlines(keepends=True)[1:]))
