"""Average a sensor log of ten million rows over 60 shots: seconds and peak memory.

Run: python benchmarks/import_log.py [ROWS]

The log is invented, 100 Hz, seven readings. Reading and averaging run in a process of their own, so
that the peak is theirs. Given besides: how long a plain `wc -l` style pass over the file takes, so
that the ratio can be compared between machines.
"""

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from calib.chain.rig import rig_from_template
from calib.intake.declaration import declare
from calib.intake.files.ids import Booked
from calib.intake.matching.field_shots import FieldShot, Source
from calib.intake.matching.readings import read_log
from calib.run.complaints import Findings

START = np.datetime64("2031-05-04T06:00:00.000")
SHOTS = 60


def write_log(path: Path, rows: int) -> None:
    """An invented log of a machine at rest, in pieces."""
    rng, piece = np.random.default_rng(1), 50_000
    level = np.array([0.4, -0.2, 40.0, -60.0, 15.0, 3.0, 120.0])
    cells = [",".join(f"{v:.3f}" for v in row)
             for row in level + 0.02 * rng.normal(size=(piece, 7))]
    names = ",".join(rig_from_template("tilt_rotator").reading_names)
    with path.open("w") as stream:
        stream.write(f"time,{names}\n")
        for first in range(0, rows, piece):
            count = min(piece, rows - first)
            times = np.datetime_as_string(
                START + (10 * np.arange(first, first + count)).astype("timedelta64[ms]"))
            stream.write("".join(f"{t}Z,{c}\n" for t, c in zip(times, cells[:count], strict=True)))


def average(path: Path, rows: int) -> dict:
    """Read the log as `calib import --log` does; seconds, peak MB, what came out."""
    start = START.astype(float) / 1000.0
    moments = start + np.linspace(10, rows / 100 - 10, SHOTS)
    shots = [
        FieldShot(f"{i}-L", Booked(str(i), "edge_left"), np.zeros(3), np.zeros((3, 3)), when, "",
                  (Source("job.txt", (i + 1,), "", "", ""),))
        for i, when in enumerate(moments)]
    findings = Findings()
    began = time.perf_counter()
    readings, _ = read_log(path, rig_from_template("tilt_rotator"), declare({}).log, shots, None,
                           findings)
    seconds = time.perf_counter() - began
    assert len(readings) == SHOTS and not findings.complaints
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"seconds": seconds, "peak_mb": peak}


def plain_pass(path: Path) -> float:
    """Seconds to read the file once and count its line ends."""
    began = time.perf_counter()
    with path.open("rb") as stream:
        while block := stream.read(8 << 20):
            block.count(b"\n")
    return time.perf_counter() - began


def main() -> None:
    """Make the log, measure, print."""
    if len(sys.argv) == 3:
        print(json.dumps(average(Path(sys.argv[1]), int(sys.argv[2]))))
        return
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        write_log(path, rows)
        out = subprocess.run([sys.executable, __file__, str(path), str(rows)], check=True,
                             capture_output=True, text=True).stdout
        found, plain = json.loads(out), plain_pass(path)
        print(f"{rows:,} rows, {path.stat().st_size / 1e6:.0f} MB, {SHOTS} shots")
        print(f"averaged in {found['seconds']:.1f} s (wanted: under 20 s), peak memory "
              f"{found['peak_mb']:.0f} MB (wanted: under 500 MB)")
        print(f"a plain pass over the file takes {plain:.2f} s: ratio "
              f"{found['seconds'] / plain:.0f}")


if __name__ == "__main__":
    main()
