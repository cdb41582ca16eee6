"""What ``calib solve`` takes on the demo, until it says what, in a checkout."""

import json
import os
import selectors
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np

DATA = Path(__file__).parents[2] / "data" / "demo"

#: Run in a process of its own: what this process has taken when it says something. Only `talk` is
#: looked at.
_STAGES = """
import json, os, sys, time
os.getloadavg = lambda: ({load}, 0.0, 0.0)
told = {{}}
sys.argv = ["calib", "solve", {run!r}, "--out", {out!r}]
from calib.cli import command
from calib.console import talk
printed, said = talk.result, talk.tell
def mark(stage):
    told.setdefault(stage, time.process_time())
def result(text):
    printed(text)
    mark("fit and shots printed" if "verdict printed" in told else "verdict printed")
def tell(text):
    said(text)
    for begins, stage in (("Solving", "read"), ("The numbers are in", "numbers written"),
                          ("The page is drawn", "page drawn"),
                          ("The report is in", "report drawn")):
        if text.startswith(begins):
            mark(stage)
talk.result, talk.tell = result, tell
try:
    command()
except SystemExit:
    pass
mark("whole command")
print(json.dumps(told), file=sys.stderr)
"""

STAGES = ("read", "verdict printed", "fit and shots printed", "numbers written", "page drawn",
          "report drawn", "whole command")


def stages(checkout: Path, two: bool, repeats: int = 3) -> dict[str, float]:
    """Seconds up to each of `STAGES`, of the first of two processes, or of one alone."""
    with tempfile.TemporaryDirectory() as folder:
        code = _STAGES.format(load=0.0 if two else 99.0, run=str(DATA),
                              out=str(Path(folder) / "out"))
        found = []
        for _ in range(1 + repeats):  # the first compiles
            done = _python(checkout, folder, "-c", code)
            found.append(json.loads(done.stderr.splitlines()[-1]))
    return {name: float(np.median([f.get(name, np.nan) for f in found[1:]])) for name in STAGES}


class Waited(NamedTuple):
    """Seconds by the clock from the start of a command."""

    result: float  #: Until the first line of its result; of a wrong option, of what it says.
    last: float  #: Until its last line.
    end: float  #: Until it has ended.


def waited(checkout: Path, *words: str, repeats: int = 5) -> Waited:
    """How long a command is waited for, medians."""
    with tempfile.TemporaryDirectory() as folder:
        words = tuple(word.format(demo=DATA, out=Path(folder) / "out") for word in words)
        seen = [_watched(checkout, folder, words) for _ in range(1 + repeats)]
    return Waited(*np.median(seen[1:], axis=0).tolist())  # the first compiles


def _watched(checkout, folder, words):
    """What `Waited` has, of one call."""
    first, last, begin = None, 0.0, time.perf_counter()
    with (subprocess.Popen([sys.executable, "-c", _AS_INSTALLED, *words], cwd=folder,
                           env=_environment(checkout, folder), stdout=subprocess.PIPE,
                           stderr=subprocess.PIPE) as process,
          selectors.DefaultSelector() as open_pipes):
        for pipe in (process.stdout, process.stderr):
            open_pipes.register(pipe, selectors.EVENT_READ)
        while open_pipes.get_map():
            for key, _ in open_pipes.select():
                if not os.read(key.fd, 1 << 16):
                    open_pipes.unregister(key.fileobj)
                    continue
                last = time.perf_counter() - begin
                if first is None and key.fileobj is process.stdout:
                    first = last
    return last if first is None else first, last, time.perf_counter() - begin


#: What the script does that pip installs.
_AS_INSTALLED = "import sys; from calib.cli import command; sys.argv[0] = 'calib'; command()"


def loading(*modules: str, repeats: int = 5) -> float:
    """Processor seconds of a process that only imports some modules."""
    taken = []
    for _ in range(1 + repeats):
        done = subprocess.run(
            [sys.executable, "-c", f"import time, {', '.join(modules)}; "
             "print(time.process_time())"], text=True, capture_output=True, check=True)
        taken.append(float(done.stdout))
    return float(np.median(taken[1:]))


def imports(checkout: Path) -> dict[str, float]:
    """Milliseconds by library that ``python -X importtime`` sees in a solve without a report."""
    with tempfile.TemporaryDirectory() as folder:
        words = ("-X", "importtime", "-c", _AS_INSTALLED, "solve", str(DATA), "--out",
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
