"""Attacks on files and processes, counted: changed files, changed results, kills, interrupts.

    python benchmarks/file_attacks.py [--readers N] [--results N] [--kills N] [--interrupts N]
                                      [--only NAME]

Readers are so many changed files of each kind, kills and interrupts so many of each command that
writes, or of the one named. Prints a table of
what was tried and what went wrong; faults go to stderr.
"""

import argparse
import contextlib
import csv
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import httpx
import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

CALIB = [sys.executable, "-m", "calib"]


def main():
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name in ("readers", "results", "kills", "interrupts"):
        asked.add_argument(f"--{name}", type=int, default=0, metavar="N")
    asked.add_argument("--only", metavar="NAME")
    counts = asked.parse_args()
    print(f"{'what':<32}{'tried':>9}{'faults':>8}{'slowest, s':>12}", flush=True)
    if counts.readers:
        readers(counts.readers, counts.only)
    if not (counts.results or counts.kills or counts.interrupts):
        return
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        for k in range(3):
            calib("simulate", root / f"run{k}", "--poses", 12, "--seed", k)
            calib("solve", root / f"run{k}", "--no-report")
        if counts.results:
            results(root / "run0", counts.results)
        for count, number in ((counts.kills, signal.SIGKILL), (counts.interrupts, signal.SIGINT)):
            for attack in ATTACKS if count else ():
                if counts.only in (None, attack.words[0]):
                    stopped(root, attack, count, number)
            if count and counts.only in (None, "yard"):
                yard_stopped(root, count, number)


def calib(*words, cwd=None):
    return subprocess.run([*CALIB, *map(str, words)], capture_output=True, text=True, cwd=cwd)


def row(what, tried, faults, slowest):
    print(f"{what:<32}{tried:>9,}{len(faults):>8,}{slowest:>12.2f}", flush=True)
    for fault in faults[:10]:
        print(fault, file=sys.stderr)


def readers(count, only):
    """Changed files of every kind, against what a careful person reads; `count` of each."""
    from calib.yard.session import Session
    from tests.intake import oracle_tables
    from tests.intake.oracle_landxml import wrong_landxml
    from tests.run import oracle, oracle_keys
    from tests.yard.oracle import wrong_request

    with tempfile.TemporaryDirectory() as folder:
        run = Path(folder) / "run"
        calib("simulate", run, "--poses", 12, "--seed", 0)
        session, pose = Session(run), rows(run / "readings.csv")[0]["pose"]
        looks = {kind.name: partial(oracle.wrong, kind)
                 for kind in (*oracle.kinds(), *oracle_tables.kinds())}
        looks |= {kind.name: partial(oracle_keys.wrong, kind) for kind in oracle_keys.kinds()}
        looks |= {"LandXML": wrong_landxml,
                  "requests of the yard page": partial(wrong_request, session, pose)}
        for name, look in looks.items():
            if only not in (None, name):
                continue
            rng, faults, slowest = np.random.default_rng(), [], 0.0
            for _ in range(count):
                start = time.process_time()
                try:
                    fault = look(rng)
                except Exception as error:
                    fault = f"{name}: {error!r}"
                slowest = max(slowest, time.process_time() - start)
                faults += [fault] if fault else []
            row(name, count, faults, slowest)


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
    """Whether a result folder, as its next reader finds it, has exactly the files it says."""
    from calib.run.result_folder import recover_result
    from calib.run.write import digest_of, manifest_of

    recover_result(folder)
    held = manifest_of(folder) or {}
    there = {p.relative_to(folder).as_posix(): digest_of(p.read_bytes())
             for p in folder.rglob("*") if p.is_file() and p.name != "files.json"}
    return bool(held) and held == there


def files(folder):
    """Every file below a folder that a person sees, by its content."""
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
            for p in sorted(folder.rglob("*")) if p.is_file()
            and not any(part.startswith(".") for part in p.relative_to(folder).parts)}


def one_of_the_wholes(made, wholes):
    """What is there, once somebody looks at it, is what one undisturbed command left."""
    from calib.run.write import finish_writing

    finish_writing(made)
    return None if files(made) in wholes else f"a mixture: {sorted(files(made))}"


def one_set(made, wholes):
    """Every file is that of an undisturbed command; of a report, or not yet. What is said of all
    runs stands only beside the results that it tells of."""
    for result in [p for p in made.iterdir() if p.is_dir() and p.name[0] != "."]:
        whole(result)
    there = files(made)
    said = there.get("together.json")
    if said and not any(said == held.get("together.json") and all(
            held.get(name) == digest for name, digest in there.items()
            if name.endswith("result.json")) for held in wholes):
        return "results of two adjustments under one page"
    wholes = [*wholes, *({f"former-{n}": d for n, d in held.items()} for held in wholes)]
    odd = [name for name, digest in files(made).items()
           if not any(digest == there.get(name) for there in wholes)
           and b"No report yet" not in (made / name).read_bytes()
           and not name.endswith("files.json")]
    return f"neither old nor new: {odd}" if odd else None


def whole_result(made, wholes):
    return None if whole(made) else "a mixture"


def journal(made, wholes):
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


def lines_once(made, wholes):
    """A record that is only added to: the next command completes it; and once more from none."""
    ended = calib("history", made)
    told = [line["result_sha256"] for line in rows(made / "history.csv")]
    (made / "history.csv").unlink()
    return None if len(told) == len(set(told)) == 3 else f"{len(told)} lines: {ended.stderr[-300:]}"


@dataclass(frozen=True)
class Attack:
    """A command in a folder with three solved runs, what it writes, and what that must be.

    `turns` are more words, one after the other, so that what comes differs from what is there;
    with `fresh` nothing is there.
    """

    words: tuple[str, ...]
    made: str
    sound: Callable = one_of_the_wholes
    fresh: bool = True
    turns: tuple[tuple[str, ...], ...] = ((),)


_LENGTHS = (("--length", "mm"), ("--length", "ft"))
ATTACKS = [
    Attack(("solve", "run0"), "run0/result", whole_result, fresh=False),
    Attack(("sheet", "run0/result"), "run0/result", whole_result, fresh=False, turns=_LENGTHS),
    Attack(("sheet", "run0/result", "--out", "printed"), "printed", fresh=False, turns=_LENGTHS),
    Attack(("report", "run0/result", "--out", "drawn"), "drawn", fresh=False,
           turns=((), ("--at", "boom=30"))),
    Attack(("compare", "run0/result"), "compared", fresh=False,
           turns=tuple((f"run{k}/result", "--out", "compared") for k in (1, 2))),
    Attack(("drift", "run0/result"), "drifted", fresh=False,
           turns=tuple((f"run{k}/result", "--out", "drifted") for k in (1, 2))),
    Attack(("new", "blank", "--yes"), "blank"),
    Attack(("simulate", "made"), "made"),
    Attack(("import", "job.txt", "--into", "taken", "--unit", "m", "--order", "PENZD", "--ids",
            "{pose}-{target}", "--frame", "ground", "--yes"), "taken"),
    Attack(("diagnose", "mistaken", "--apply", "mended"), "mended"),
    Attack(("explore", "run0", "--free", "boom_sag", "--copy", "freed"), "freed"),
    Attack(("confirm", "run0/result", "shown.csv", "--out", "told"), "told"),
    Attack(("together",), "all-together", one_set, fresh=False,
           turns=(("all.toml",), ("day.toml", "--out", "all-together"))),
    Attack(("fleet", ".", "--processes", "2"), "fleet", journal),
    Attack(("plan", "run0", "--out", "planned"), "planned", fresh=False,
           turns=(("--poses", "6"), ("--poses", "5"))),
    Attack(("history", "record"), "record", lines_once, fresh=False),
]


def prepared(root):
    """Files that some commands read."""
    several = "".join(f'[[runs]]\nfolder = "run{k}"\n' for k in range(3))
    (root / "all.toml").write_text(several)
    (root / "day.toml").write_text(several + '[scopes]\nboom_zero = "day"\n')
    shots, poses = rows(root / "run0" / "shots.csv"), rows(root / "run0" / "readings.csv")
    (root / "job.txt").write_text("".join(
        f"{s['pose']}-{s['target']},{s['east']},{s['north']},{s['up']},edge\n" for s in shots))
    sensors = [name for name in poses[0] if name not in ("pose", "stand", "time")]
    (root / "shown.csv").write_text("\n".join(
        [",".join(("pose", "target", "forward", "left", "up", *sensors)),
         *(",".join((p["pose"], "edge_left", "8.1", "0.4", "-0.3", *(p[n] for n in sensors)))
           for p in poses[:6])]) + "\n")
    if not (root / "mistaken").exists():
        shutil.copytree(root / "run0", root / "mistaken", ignore=lambda *_: ["result"])
        with open(root / "mistaken" / "readings.csv", "w", newline="") as stream:
            table = csv.DictWriter(stream, poses[0])
            table.writeheader()
            table.writerows(p | {"coupler": -float(p["coupler"])} for p in poses)
    if not (root / "record").exists():
        for k in range(3):
            shutil.copytree(root / f"run{k}" / "result", root / "record" / str(k))


def rows(file):
    with open(file) as stream:
        return list(csv.DictReader(line for line in stream if not line.startswith("#")))


def stopped(root, attack, count, number):
    """A command that is stopped at random moments, half of them in its last third."""
    prepared(root)
    made, rng = root / attack.made, random.Random()
    faults, slowest, usual = [], 0.0, 0.0
    wholes = [files(made) if made.exists() and not attack.fresh else {}]
    for turn in attack.turns:
        start = time.monotonic()
        ended = calib(*attack.words, *turn, cwd=root)
        usual = max(usual, time.monotonic() - start)
        if not made.exists():
            faults.append(f"writes nothing by itself: {ended.stderr[-400:]}")
            break
        wholes.append(files(made))
    for k in range(count):
        if attack.fresh:
            shutil.rmtree(made, ignore_errors=True)
        moment = usual * (rng.random() if k % 2 else rng.uniform(0.66, 1.1))
        process = started(root, *attack.words, *attack.turns[k % len(attack.turns)])
        time.sleep(moment)
        begun = time.monotonic()
        os.killpg(process.pid, number)
        _, err = process.communicate()
        slowest = max(slowest, time.monotonic() - begun)
        if made.exists() and (fault := attack.sound(made, wholes)):
            faults.append(f"after {moment:.2f} s: {fault}")
        if number == signal.SIGINT:
            faults += said_badly(process.returncode, err, moment)
    calib(*attack.words, *attack.turns[0], cwd=root)
    left = sorted(p.name for p in made.parent.glob(f".{made.name}.*")) if made.exists() else []
    if left:
        faults.append(f"left over: {left}")
    row(f"{attack.words[0]} -> {attack.made} {number.name}", count, faults, slowest)


def started(root, *words):
    # Who started this may have had interrupts ignored: children inherit that.
    return subprocess.Popen(
        [*CALIB, *words], stdout=subprocess.PIPE, cwd=root, stderr=subprocess.PIPE, text=True,
        start_new_session=True, preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))


def said_badly(status, err, moment):
    sound = status in (0, 6, 130) and "Traceback" not in err
    return [] if sound else [f"after {moment:.2f} s: status {status}: {err[-300:]}"]


def yard_stopped(root, count, number):
    """The page stopped while shots come in: what it called noted is in the files."""
    from calib.run.folder import read_run
    from tests.yard.test_killed import Page

    rng, faults, slowest, noted, asked = random.Random(), [], 0.0, set(), 0
    folder = root / "yard"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(root / "run0", folder, ignore=lambda *_: ["result"])
    pose = rows(folder / "readings.csv")[0]["pose"]
    held = len(read_run(folder).shots)
    for _ in range(count):
        process = started(root, "yard", "yard", "--no-browser")
        page = Page(process.stdout.readline().strip())
        stop = threading.Timer(rng.uniform(0.0, 1.0), os.killpg, (process.pid, number))
        stop.start()
        with contextlib.suppress(httpx.HTTPError):
            while True:
                asked += 1
                noted.add(page.change("/shots", pose=pose, target="edge_left", north="2.5", up="2",
                                      east=f"{1 + 0.001 * asked:.4f}")["shot"])
        begun = time.monotonic()
        _, err = process.communicate()
        slowest = max(slowest, time.monotonic() - begun)
        if number == signal.SIGINT:
            faults += said_badly(process.returncode, err, 0.0)
        run = read_run(folder, unfinished=True)
        lost = noted - set(run.shots.ids)
        if lost or len(run.shots) > held + asked:
            faults.append(f"{len(lost)} lost of {len(noted)}, {len(run.shots)} there")
    row(f"yard {number.name}", count, faults, slowest)


if __name__ == "__main__":
    main()
