"""The readings that the sensors' log ends with: the last seconds of it, if the machine stood still.
"""

import hashlib
import tempfile
from pathlib import Path

import numpy as np

from calib.chain.rig import Rig
from calib.intake.declaration import LogDeclaration
from calib.intake.files.log import blocks, gather, read_layout
from calib.intake.matching.dwell import dwell
from calib.run.complaints import Complaint, Findings, InputError

#: Only so much of the end of a log is read, bytes.
_TAIL = 1 << 17

#: The log's last row may be so old by its own clock that a gap before it counts, s.
_LONGEST_GAP = 1.0


def last_readings(log: Path, rig: Rig, declared: LogDeclaration) -> dict[str, str]:
    """Mean readings over the last ``declared.window`` seconds of a log, deg, as text.

    Raises
    ------
    InputError
        If the log cannot be read, or the machine moved in those seconds.
    """
    findings = Findings()
    names = {name: tuple(filter(None, [declared.readings.get(name)])) for name in rig.reading_names}
    try:
        layout = read_layout(log, findings, names, declared.readings.get("time"),
                             rig.strokes)
        findings.stop_if_at_fault()
        assert layout is not None
        with tempfile.TemporaryDirectory(prefix="calib-yard-") as place:
            tail = Path(place) / log.name
            tail.write_bytes(_head_and_tail(log, layout.first_line))
            times = declared.times()
            ends = [block.seconds[-1] for block in
                    blocks(tail, layout, times, findings, hashlib.sha256()) if len(block.seconds)]
            findings.stop_if_at_fault()
            if not ends:
                raise InputError([Complaint(log.name, None, None, "no rows yet",
                                            "rows with a time and every reading")])
            window = np.array([ends[-1] - declared.window, ends[-1]])
            rows, _ = gather(tail, layout, times, window[None], findings)
    except OSError as error:
        raise InputError([Complaint(log.name, None, None, (error.strerror or str(error)).lower(),
                                    "a log that you may read")]) from None
    findings.stop_if_at_fault()
    return _still(log.name, list(layout.columns), dwell(rows[0], window), declared)


def _head_and_tail(log, first_line):
    """The lines before the first row, and the whole lines at the end."""
    with log.open("rb") as stream:
        head = b"".join(stream.readline() for _ in range(first_line - 1))
        begin = stream.tell()
        stream.seek(0, 2)
        start = max(begin, stream.tell() - _TAIL)
        stream.seek(start)
        tail = stream.read()
    if start > begin:
        tail = tail[tail.find(b"\n") + 1:]
    return head + tail[: tail.rfind(b"\n") + 1]


def _still(file, names, found, declared):
    """The means, refused where something moved or rows are missing."""
    if found is None or found.longest_gap > _LONGEST_GAP:
        raise InputError([Complaint(
            file, None, None, f"too few rows in the last {declared.window:g} s",
            "a log that goes on while the machine stands")])
    moved = [name for name, moving in zip(names, found.moving(declared.still), strict=True)
             if moving]
    if moved:
        raise InputError([Complaint(
            file, found.last_line, name, "a reading that moves",
            f"{declared.window:g} s of standing still (within {declared.still:g} deg)")
            for name in moved])
    return {name: f"{value:.3f}" for name, value in zip(names, found.mean, strict=True)}
