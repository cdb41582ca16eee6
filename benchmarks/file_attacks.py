"""Attacks on files and processes, counted: changed files, changed results, kills, interrupts.

    python benchmarks/file_attacks.py [--readers N] [--results N] [--kills N] [--interrupts N]

Prints a table of what was tried and what went wrong; faults go to stderr.
"""

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

CALIB = [sys.executable, "-m", "calib"]


def main():
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name in ("readers", "results", "kills", "interrupts"):
        asked.add_argument(f"--{name}", type=int, default=0, metavar="N")
    counts = asked.parse_args()
    print(f"{'what':<32}{'tried':>9}{'faults':>8}{'slowest, s':>12}", flush=True)
    if counts.readers:
        readers(counts.readers)
    with tempfile.TemporaryDirectory() as folder:
        run = Path(folder) / "run"
        subprocess.run([*CALIB, "simulate", run, "--poses", "12"], check=True, capture_output=True)
        subprocess.run([*CALIB, "solve", run], check=True, capture_output=True)
        if counts.results:
            results(run, counts.results)
        if counts.kills:
            stopped(run, counts.kills, signal.SIGKILL)
        if counts.interrupts:
            stopped(run, counts.interrupts, signal.SIGINT)


def row(what, tried, faults, slowest):
    print(f"{what:<32}{tried:>9,}{len(faults):>8,}{slowest:>12.2f}", flush=True)
    for fault in faults[:10]:
        print(fault, file=sys.stderr)


def readers(count):
    """Changed cells of every table of a run folder, against what a careful person reads."""
    from tests.run.oracle import kinds, wrong

    for kind in kinds():
        rng, faults, slowest = np.random.default_rng(), [], 0.0
        for _ in range(count):
            start = time.process_time()
            try:
                fault = wrong(kind, rng)
            except Exception as error:
                fault = f"{kind.name}: {error!r}"
            slowest = max(slowest, time.process_time() - start)
            faults += [fault] if fault else []
        row(kind.name, count, faults, slowest)


def results(run, count):
    """Changed result.json, through everything that reads one."""
    from calib.results import load_result
    from tests.report.damaged import places, tried

    warnings.simplefilter("ignore", RuntimeWarning)
    sound = load_result(run / "result")
    other = run.parent / "other"
    subprocess.run([*CALIB, "simulate", other, "--seed", "2"], check=True, capture_output=True)
    subprocess.run([*CALIB, "solve", other], capture_output=True)
    tables = sound.document.table()
    other, rng, where = load_result(other / "result"), random.Random(), places(tables)
    faults, slowest = [], 0.0
    for k in range(count):
        start = time.process_time()
        try:
            tried(tables, where, other, run.parent / "changed.json", rng, k % 50 == 0)
        except Exception as error:
            faults.append(f"result.json: {error!r} (in {run.parent / 'changed.json'})")
        slowest = max(slowest, time.process_time() - start)
    row("result.json", count, faults, slowest)


def whole(folder):
    """Whether the folder holds exactly the files of its manifest, and which run it is of."""
    from calib.run.write import digest_of, manifest_of

    held = manifest_of(folder) or {}
    there = {p.relative_to(folder).as_posix(): digest_of(p.read_bytes())
             for p in folder.rglob("*") if p.is_file() and p.name != "files.json"}
    return bool(held) and held == there


def stopped(run, count, number):
    """A solve that is stopped at a random moment; the result before it is of other numbers."""
    faults, slowest, rng = [], 0.0, random.Random()
    start = time.monotonic()
    subprocess.run([*CALIB, "solve", run], capture_output=True)
    usual = time.monotonic() - start
    for k in range(count):
        # Half of the moments in the last third, where the files are written.
        moment = usual * (rng.random() if k % 2 else rng.uniform(0.66, 1.1))
        process = subprocess.Popen([*CALIB, "solve", run], stdout=subprocess.PIPE,
                                   stderr=subprocess.PIPE, text=True, start_new_session=True)
        time.sleep(moment)
        begun = time.monotonic()
        os.killpg(process.pid, number)
        _, err = process.communicate()
        slowest = max(slowest, time.monotonic() - begun)
        if not whole(run / "result"):
            faults.append(f"after {moment:.2f} s: a mixture")
        if number == signal.SIGINT and process.returncode not in (0, 130):
            faults.append(f"after {moment:.2f} s: status {process.returncode}: {err[-300:]}")
    subprocess.run([*CALIB, "solve", run], capture_output=True)
    left = sorted(set(os.listdir(run)) & {".result.new", ".result.old", ".result.lock"})
    if left:
        faults.append(f"left over: {left}")
    row(f"solve stopped by {number.name}", count, faults, slowest)


if __name__ == "__main__":
    main()
