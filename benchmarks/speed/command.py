"""What ``calib solve`` takes on the demo, stage by stage, in a checkout: processor seconds."""

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

DATA = Path(__file__).parents[2] / "data" / "demo"

#: Run in a process of its own: what each stage takes, and when the verdict is printed.
_STAGES = """
import json, os, sys, time
os.getloadavg = lambda: ({load}, 0.0, 0.0)
told, inside = {{}}, []
def timed(module, name, stage):
    function = getattr(module, name)
    def wrapped(*arguments, **more):
        begin = time.process_time()
        try:
            return function(*arguments, **more)
        finally:
            told[stage] = told.get(stage, 0.0) + time.process_time() - begin
    setattr(module, name, wrapped)
sys.argv = ["calib", "solve", {run!r}, "--out", {out!r}]
from calib.cli import main, talk
try:
    from calib.cli.drawing_process import Beside
except ImportError:  # an older checkout
    from calib.cli.beside import Beside
printed, start = talk.result, Beside.start
def result(text):
    printed(text)
    told.setdefault("verdict printed", time.process_time())
talk.result = result
def started(*modules):
    beside = start(*modules)
    import calib.cli.solve, calib.judge.choice, calib.judge.judgement, calib.report.record
    import calib.report.pages.summary, calib.run.folder
    told["start and imports"] = time.process_time()
    for module, name, stage in (
        (calib.run.folder, "read_run", "read"), (calib.judge.choice, "solve_as_chosen", "solve"),
        (calib.judge.judgement, "judge", "judge"),
        (calib.report.record, "result_document", "document and rest of the judgement"),
        (calib.report.record, "verdict_document", "document and rest of the judgement"),
        (calib.report.pages.summary, "summary", "summary"),
        (calib.report.pages.summary, "verdict_and_parameters", "summary"),
        (calib.report.record, "with_noise", "noise, after the verdict"),
        (calib.cli.solve, "write_numbers", "write"), (calib.cli.solve, "draw", "draw")):
        if hasattr(module, name):  # an older checkout has not all of them
            timed(module, name, stage)
    return beside
Beside.start = started
try:
    main()
except SystemExit:
    pass
told["whole command"] = time.process_time()
print(json.dumps(told), file=sys.stderr)
"""

STAGES = ("start and imports", "read", "solve", "judge", "document and rest of the judgement",
          "summary", "verdict printed", "noise, after the verdict", "write", "draw",
          "whole command")


def stages(checkout: Path, two: bool, repeats: int = 1) -> dict[str, float]:
    """Seconds of each of `STAGES`, of the first of two processes, or of one alone."""
    with tempfile.TemporaryDirectory() as folder:
        code = _STAGES.format(load=0.0 if two else 99.0, run=str(DATA),
                              out=str(Path(folder) / "out"))
        found = []
        for _ in range(1 + repeats):  # the first compiles
            done = _python(checkout, folder, "-c", code)
            found.append(json.loads(done.stderr.splitlines()[-1]))
    return {name: float(np.median([f.get(name, np.nan) for f in found[1:]])) for name in STAGES}


def waited(checkout: Path, *words: str, repeats: int = 5) -> tuple[float, float]:
    """Seconds by the clock of a command: until its first result is printed, and until it ends."""
    with tempfile.TemporaryDirectory() as folder:
        words = tuple(word.format(demo=DATA, out=Path(folder) / "out") for word in words)
        first, whole = [], []
        for _ in range(1 + repeats):
            begin = time.perf_counter()
            with subprocess.Popen([sys.executable, "-m", "calib", *words], cwd=folder,
                                  env=_environment(checkout, folder), stdout=subprocess.PIPE,
                                  stderr=subprocess.DEVNULL) as process:
                process.stdout.read(1)
                first.append(time.perf_counter() - begin)
                process.stdout.read()
            whole.append(time.perf_counter() - begin)
    return float(np.median(first[1:])), float(np.median(whole[1:]))


def imports(checkout: Path) -> dict[str, float]:
    """Milliseconds by library that ``python -X importtime`` sees in a solve without a report."""
    with tempfile.TemporaryDirectory() as folder:
        words = ("-X", "importtime", "-m", "calib", "solve", str(DATA), "--out",
                 str(Path(folder) / "out"), "--no-report")
        told = [_imported(_python(checkout, folder, *words).stderr) for _ in range(4)][1:]
    return min(told, key=lambda taken: sum(taken.values()))


def _imported(told):
    taken: dict[str, float] = {}
    for line in told.splitlines():
        own, _, name = line.removeprefix("import time:").strip().split("|")[:3] \
            if line.startswith("import time:") and "self" not in line else ("0", "", "")
        parts = name.strip().split(".")
        library = ".".join(parts[: 2 if parts[0] == "scipy" else 1])
        taken[library] = taken.get(library, 0.0) + float(own) / 1000
    return taken


def _python(checkout, folder, *words):
    return subprocess.run([sys.executable, *words], env=_environment(checkout, folder),
                          cwd=folder, text=True, capture_output=True)


def _environment(checkout, folder):
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    return environment | {"PYTHONPATH": str(checkout), "OPENBLAS_NUM_THREADS": "1",
                          "PYTHONPYCACHEPREFIX": f"{folder}/compiled"}
