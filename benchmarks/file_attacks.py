"""Attacks on files and processes, counted: changed files, changed results, kills, interrupts.

    python benchmarks/file_attacks.py [--readers N] [--results N] [--kills N] [--interrupts N]
                                      [--only COMMAND]

Kills and interrupts are so many of each command that writes, or of the one named. Prints a table of
what was tried and what went wrong; faults go to stderr.
"""

import argparse
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

CALIB = [sys.executable, "-m", "calib"]


def main():
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name in ("readers", "results", "kills", "interrupts"):
        asked.add_argument(f"--{name}", type=int, default=0, metavar="N")
    asked.add_argument("--only", metavar="COMMAND")
    counts = asked.parse_args()
    print(f"{'what':<32}{'tried':>9}{'faults':>8}{'slowest, s':>12}", flush=True)
    if counts.readers:
        readers(counts.readers)
    if not (counts.results or counts.kills or counts.interrupts):
        return
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        for k in range(3):
            calib("simulate", root / f"run{k}", "--poses", 12, "--seed", k)
            calib("solve", root / f"run{k}", "--no-report")
        if counts.results:
            results(root / "run0", counts.results)
        for attack in ATTACKS:
            if counts.only in (None, attack.words[0]):
                for count, number in ((counts.kills, signal.SIGKILL),
                                      (counts.interrupts, signal.SIGINT)):
                    if count:
                        stopped(root, attack, count, number)


def calib(*words, cwd=None):
    return subprocess.run([*CALIB, *map(str, words)], capture_output=True, text=True, cwd=cwd)


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
    calib("simulate", other, "--seed", 9)
    calib("solve", other, "--no-report")
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
    """Whether a result folder holds exactly the files of its manifest."""
    from calib.run.write import digest_of, manifest_of

    held = manifest_of(folder) or {}
    there = {p.relative_to(folder).as_posix(): digest_of(p.read_bytes())
             for p in folder.rglob("*") if p.is_file() and p.name != "files.json"}
    return bool(held) and held == there


def files(folder):
    """Every file below a folder that a person sees, by its content."""
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
            for p in sorted(folder.rglob("*")) if p.is_file()
            and not any(part.startswith(".") for part in p.relative_to(folder).parts)}


def old_or_new(made, before, after):
    """Nothing but what was there before, or all that comes out."""
    return None if files(made) in (before, after) else f"a mixture: {sorted(files(made))}"


def each_complete(made, before, after):
    """Every file is the one from before or the one that comes out; of a report, or not yet."""
    odd = [name for name, digest in files(made).items()
           if digest not in (before.get(name), after.get(name))
           and b"No report yet" not in (made / name).read_bytes()
           and not name.endswith("files.json")]
    return f"neither old nor new: {odd}" if odd else None


def whole_result(made, before, after):
    return None if whole(made) else "a mixture"


def journal(made, before, after):
    """Results are whole; going on brings every run once."""
    import pyarrow.parquet as pq

    root = made.parent
    for k in range(3):
        if not whole(root / f"run{k}" / "result"):
            return f"run{k}: a mixture"
    again = calib("fleet", root, "--processes", 1)
    table = pq.read_table(made / "fleet.parquet").to_pandas()
    told = sorted(table["run"])
    once = len(set(told)) == len(told) and {"run0", "run1", "run2"} <= set(told)
    return None if once else f"{told}: {again.stderr[-300:]}"


@dataclass(frozen=True)
class Attack:
    """A command in a folder with three solved runs, what it writes, and what that must be."""

    words: tuple[str, ...]
    made: str
    sound: Callable
    fresh: bool = True


ATTACKS = [
    Attack(("solve", "run0"), "run0/result", whole_result, fresh=False),
    Attack(("new", "blank", "--yes"), "blank", old_or_new),
    Attack(("import", "job.txt", "--into", "taken", "--unit", "m", "--order", "PENZD", "--ids",
            "{pose}-{target}", "--frame", "ground", "--yes"), "taken", old_or_new),
    Attack(("confirm", "run0/result", "shown.csv", "--out", "told"), "told", old_or_new),
    Attack(("together", "all.toml"), "all-together", each_complete),
    Attack(("fleet", ".", "--processes", "2"), "fleet", journal),
    Attack(("plan", "run0", "--poses", "6", "--out", "planned"), "planned", old_or_new),
]


def prepared(root):
    """Files that some commands read."""
    import csv

    (root / "all.toml").write_text("".join(f'[[runs]]\nfolder = "run{k}"\n' for k in range(3)))
    with open(root / "run0" / "shots.csv") as stream:
        shots = list(csv.DictReader(line for line in stream if not line.startswith("#")))
    (root / "job.txt").write_text("".join(
        f"{s['pose']}-{s['target']},{s['east']},{s['north']},{s['up']},edge\n" for s in shots))
    with open(root / "run0" / "readings.csv") as stream:
        poses = list(csv.DictReader(line for line in stream if not line.startswith("#")))[:6]
    sensors = [name for name in poses[0] if name not in ("pose", "stand", "time")]
    (root / "shown.csv").write_text("\n".join(
        [",".join(("pose", "target", "forward", "left", "up", *sensors)),
         *(",".join((p["pose"], "edge_left", "8.1", "0.4", "-0.3", *(p[n] for n in sensors)))
           for p in poses)]) + "\n")


def stopped(root, attack, count, number):
    """A command that is stopped at random moments, half of them in its last third."""
    prepared(root)
    made, rng = root / attack.made, random.Random()
    faults, slowest = [], 0.0
    before = files(made) if made.exists() else {}
    start = time.monotonic()
    usual_end = calib(*attack.words, cwd=root)
    usual, after = time.monotonic() - start, files(made) if made.exists() else {}
    if not after:
        faults.append(f"writes nothing by itself: {usual_end.stderr[-400:]}")
    for k in range(count):
        if attack.fresh:
            shutil.rmtree(made, ignore_errors=True)
            before = {}
        moment = usual * (rng.random() if k % 2 else rng.uniform(0.66, 1.1))
        process = subprocess.Popen([*CALIB, *attack.words], stdout=subprocess.PIPE, cwd=root,
                                   stderr=subprocess.PIPE, text=True, start_new_session=True)
        time.sleep(moment)
        begun = time.monotonic()
        os.killpg(process.pid, number)
        _, err = process.communicate()
        slowest = max(slowest, time.monotonic() - begun)
        if made.exists() and (fault := attack.sound(made, before, after)):
            faults.append(f"after {moment:.2f} s: {fault}")
        if number == signal.SIGINT and (
                process.returncode not in (0, 6, 130) or "Traceback" in err):
            faults.append(f"after {moment:.2f} s: status {process.returncode}: {err[-300:]}")
    calib(*attack.words, cwd=root)
    left = sorted(p.name for p in made.parent.glob(f".{made.name}.*")) if made.exists() else []
    if left:
        faults.append(f"left over: {left}")
    row(f"{attack.words[0]} stopped by {number.name}", count, faults, slowest)


if __name__ == "__main__":
    main()
