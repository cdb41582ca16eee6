"""One run of a fleet, in whatever process: read, solved, judged, written; nothing is said."""

import os
import signal
import time
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from importlib.metadata import version
from math import isclose, sqrt
from multiprocessing import parent_process
from pathlib import Path
from threading import Thread
from typing import Any

from calib.adjust.mixed_model import NotConverged
from calib.adjust.spectrum import NotDetermined
from calib.fleet.row import FAULT, INPUT, NOT_CONVERGED, NOT_DETERMINED, NOT_WRITTEN, solved_row
from calib.judge.shot_checks import tolerance_for
from calib.operations.judged import judged
from calib.operations.result_files import DRAWN, drawn_files, number_files
from calib.report.record import with_noise
from calib.results import RESULT, load_result
from calib.run.complaints import InputError
from calib.run.folder import read_run
from calib.run.result_folder import add_to_result, keep_aside, replace_result, result_place
from calib.run.text import ordinary
from calib.run.write import manifest_of

#: The files of a run folder that decide its result.
INPUTS = ("rig.toml", "readings.csv", "shots.csv", "tape.csv", "check.csv", "setups.csv",
          "backsights.csv", "entries.toml")


@dataclass(frozen=True)
class Task:
    """A run to be solved."""

    run: str  #: What the fleet calls it.
    folder: Path
    inputs: str  #: Hash of its files and of the version.
    report: bool  #: Whether to draw its report too.


def begin() -> None:
    """First of all in a process of its own: it ends when the one that made it does, or says so."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with, args=(parent_process(),), daemon=True).start()


def _end_with(parent):
    parent.join()
    os._exit(1)


def hash_of(folder: Path) -> str:
    """Of the files that decide a run's result, and of the version that solves it."""
    digest = sha256(version("calib").encode())
    for name, content in _inputs(folder):
        digest.update(f"\0{name} {len(content)}\0".encode() + content)
    return digest.hexdigest()


def _inputs(folder):
    for name in INPUTS:
        with suppress(OSError):
            yield name, ordinary(folder / name).read_bytes()


def solve_one(task: Task) -> dict[str, Any]:
    """The row of a run; a run that has no result has a row that says why."""
    began = time.process_time()
    row: dict[str, Any] = {}
    try:
        if document := None if task.report else _there(task):
            row = {**solved_row(document), "there": True}
        else:
            _, judgement, document = judged(read_run(task.folder))
            document = with_noise(document, judgement)
            row = {**solved_row(document), "message": None}
            row["message"] = _written(task, document)
        row["bytes"] = sum(path.stat().st_size for path in (task.folder / "result").iterdir())
    except Exception as error:
        solved, row = bool(row), _why(error)
        if solved and row["status"] == INPUT:  # not for what its files say: it is tried again
            row["status"] = NOT_WRITTEN
    return {"run": task.run, "inputs": task.inputs, **row,
            "seconds": time.process_time() - began,
            "megabytes": _memory()}


def _memory() -> float | None:
    """The most that this process has taken, MB; None where the system does not say."""
    try:
        import resource
    except ImportError:  # Windows
        return None
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _there(task):
    """The result beside the run, if it is what solving would give; else None."""
    place = task.folder / "result"
    try:
        result = load_result(place)
    except InputError:
        return None
    document = result.document
    files = {name: sha256(content).hexdigest() for name, content in _inputs(task.folder)}
    same = (document.run.files == files and document.calib == version("calib")
            and (manifest_of(place) or {}).get(RESULT) == result.sha256
            and document.set_aside.choice == "none" and document.machine is None
            and (document.check is None or _of_the_rig(document.check.tolerance, result)))
    return document if same else None


def _of_the_rig(tolerance, result):
    """Whether check shots were held against what the rig says, and nobody stated another."""
    known, used = result.document.goal.within95, result.document.goal.in_use95
    noise = 0.0 if known is None or used is None else sqrt(max(used**2 - known**2, 0.0))
    return isclose(tolerance, tolerance_for(result.rig, None, noise)[0], rel_tol=1e-6)


def _written(task, document):
    """Write the result beside its run; what there is to say of a former one."""
    place = result_place(task.folder / "result", task.folder)
    files = number_files(document)
    # Somebody may have the report or the sheet in hand: it stays with its own numbers.
    kept = keep_aside(place, files)
    replace_result(place, files, DRAWN if task.report else ())
    if task.report:
        add_to_result(place, files, list(drawn_files(document))[-1])
    return kept and f"its former result, from which more was made, is kept as {kept.name}"


def _why(error):
    """What became of a run that has no result."""
    if isinstance(error, InputError):
        more = len(error.complaints) - 1
        said = str(error.complaints[0]) + (f" (and {more} more)" if more else "")
        return {"status": INPUT, "message": said}
    if isinstance(error, NotDetermined):
        return {"status": NOT_DETERMINED, "message": str(error)}
    if isinstance(error, NotConverged):
        return {"status": NOT_CONVERGED, "message": str(error)}
    if isinstance(error, OSError):
        return {"status": INPUT, "message": f"{error.filename or 'a file'}: {error.strerror}"}
    return {"status": FAULT, "message": f"{type(error).__name__}: {error}"}
