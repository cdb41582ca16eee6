"""``calib fleet``: every run below a folder, on every processor there is."""

import os
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import closing, contextmanager
from importlib.util import find_spec
from itertools import islice
from multiprocessing import active_children, get_context
from pathlib import Path
from urllib.parse import quote

import numpy as np
import typer

from calib.cli.fleet_worker import Task, begin, hash_of, solve_one
from calib.cli.journal import JOURNAL, Journal
from calib.console import talk
from calib.fleet.dispatch import results
from calib.fleet.row import (
    FAILED,
    FAULT,
    INPUT,
    NOT_DETERMINED,
    NOT_WRITTEN,
    NOT_YET,
    PASSED,
    WHOSE,
    columns_of,
    flat,
)
from calib.report.fleet_record import fleet_document
from calib.report.pages.fleet import fleet_sections
from calib.report.press.html import page
from calib.report.press.terminal import plain
from calib.run.complaints import InputError
from calib.run.lock import only_writer
from calib.run.write import write_whole

#: Tasks with the executor per worker: enough that none waits, few enough to be forgotten of.
_EACH = 4

#: One thread for each worker: they share the processors among them.
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")

#: Rows that are held in memory at a time while the table is written.
_BATCH = 5_000


def fleet(root: Path, out: Path | None, processes: int | None, scheduler: str | None,
          report: bool, json: bool) -> None:
    """Solve every run below a folder that is not solved yet, and say what became of them."""
    _refuse_missing(scheduler)
    out = out or root / "fleet"
    runs = list(run_folders(root, out))
    if not runs:
        raise InputError.of(root, "no run folder", "a folder with run folders below it")
    out.mkdir(parents=True, exist_ok=True)
    table = out / "fleet.parquet"
    with only_writer(out / ".fleet.lock", out), closing(Journal(out / JOURNAL)) as journal:
        _solve_all(root, runs, journal, report, processes, scheduler)
        write_table(table, journal, runs)
    column, units = _columns(table)
    document = fleet_document(column, units, _reports(root, out))
    sections = fleet_sections(document)
    write_whole(out, {"fleet.html": page("report.html.j2", document, "Fleet",
                                         f"{len(runs):,} runs below {root}", sections)})
    talk.answer(document, plain(sections), json)
    talk.tell(f"The table is {table}, the page {out / 'fleet.html'}")
    worst = next((w for w in document.worst if w.status != "passed"), None)
    if worst is None:
        talk.follow("history", root)
        return
    _follow_worst(worst.status, root / worst.run)
    if worst.status != NOT_YET:
        raise typer.Exit(talk.GATE_FAILED)


def _follow_worst(status, run):
    """What cannot be read or told has no mistake to look for: solved alone it says what is wrong.
    """
    look = {FAULT: "solve", INPUT: "solve", NOT_YET: "solve",
            NOT_DETERMINED: "next"}.get(status, "diagnose")
    talk.follow(look, run)
    talk.tell(f"To look at the worst: {talk.command(look, run)}")


def run_folders(root: Path, out: Path) -> Iterator[str]:
    """Every run folder below a folder, relative to it, in order."""
    out = out.absolute()
    for folder, below, files in os.walk(root):
        below[:] = sorted(name for name in below if not name.startswith(".")
                          and Path(folder, name).absolute() != out)
        if "rig.toml" in files and "shots.csv" in files:
            yield Path(folder).relative_to(root).as_posix()


def _refuse_missing(scheduler):
    """Say what to install before anything is read."""
    needed = ["pyarrow", *(["distributed"] if scheduler else [])]
    missing = [name for name in needed if find_spec(name) is None]
    if missing:
        raise typer.BadParameter(f"a fleet needs {' and '.join(missing)}: "
                                 "pip install 'calib[fleet]'", param_hint="fleet")


def _solve_all(root, runs, journal, report, processes, scheduler):
    """Solve what is not solved yet; each row goes to the journal as it comes."""
    new_executor, workers = (_dask(scheduler) if scheduler else _processes(processes))
    tasks = _tasks(root, runs, journal, report)
    told = talk.progress(f"Solving {len(runs):,} runs on {workers} workers", len(runs))
    with _ended_at_once(), told as done:
        solved = 0
        for number, (task, row) in enumerate(
                results(tasks, solve_one, new_executor, _EACH * workers), 1):
            if isinstance(row, BaseException):
                row = {"run": task.run, "inputs": task.inputs, "status": FAULT,
                       "message": f"{type(row).__name__}: {row}"}
            solved += not row.pop("there", False)
            journal.add(row)
            done(number)
    talk.tell(f"{solved:,} runs solved, {len(runs) - solved:,} taken over from before")


@contextmanager
def _ended_at_once():
    """Interrupted, no process goes on: what it had is solved again, nothing is half-written."""
    try:
        yield
    except BaseException:
        for process in active_children():
            process.terminate()
        raise


def _tasks(root, runs, journal, report) -> Iterator[Task]:
    """What is not solved yet, or from other files, or lacks the report that is asked for."""
    for run in runs:
        folder = root / run
        inputs = hash_of(folder)
        there = journal.inputs(run) == inputs and journal.status(run) != NOT_WRITTEN and (
            journal.status(run) not in (PASSED, NOT_YET, FAILED)
            or ((folder / "result" / "result.json").is_file()
                and (not report or (folder / "result" / "report.pdf").is_file())))
        if not there:
            yield Task(run, folder.absolute(), inputs, report)


def _processes(count: int | None) -> tuple[Callable[[], Executor], int]:
    """Processes of this machine; a spawned one has nothing of this one but what it needs."""
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    count = count or usable or 1
    for name in _THREADS:
        os.environ.setdefault(name, "1")
    return lambda: ProcessPoolExecutor(count, get_context("spawn"), begin), count


def _dask(address: str) -> tuple[Callable[[], Executor], int]:
    """The workers of a Dask cluster; it brings back what a dead worker had."""
    from distributed import Client

    try:
        client = Client(address, timeout="10s")
    except (OSError, ValueError) as error:
        raise InputError.of(address, f"no scheduler ({error})",
                            "the address of a Dask scheduler") from None
    workers = sum(client.ncores().values())
    return lambda: client.get_executor(pure=False), max(workers, 1)


def write_table(path: Path, journal: Journal, runs: list[str]) -> None:
    """The rows of the journal as a Parquet table, a batch at a time; renamed into place."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns, units = columns_of(journal.rows(runs))
    text = {"run", "inputs", "status", "message", "rig", "failed", *WHOSE}
    whole = {"bytes", "shots", "poses", "dof", "suspects"}
    schema = pa.schema([
        pa.field(c, pa.string() if c in text else pa.int64() if c in whole else pa.float64(),
                 metadata={"unit": units[name]} if (name := c.partition(".")[0]) in units else None)
        for c in columns])
    new = path.with_suffix(".new")
    try:
        with pq.ParquetWriter(new, schema) as writer:
            rows = ({name: talk.printable(c).replace("\n", "\\n") if isinstance(c, str) else c
                     for name, c in flat(row, columns).items()} for row in journal.rows(runs))
            while batch := list(islice(rows, _BATCH)):
                writer.write_table(pa.Table.from_pylist(batch, schema))
        new.replace(path)
    finally:
        new.unlink(missing_ok=True)


def _columns(table: Path):
    """A column of a table by its name, as an array, and the units of the parameters."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = pq.read_schema(table)
    units = {field.name: field.metadata[b"unit"].decode() for field in schema
             if field.metadata and b"unit" in field.metadata and "." not in field.name}

    def column(name: str) -> np.ndarray:
        values = pq.read_table(table, columns=[name]).column(0)
        if pa.types.is_string(values.type):
            return np.array(values.to_pylist(), object)
        return values.cast(pa.float64()).to_numpy()

    return column, units


def _reports(root: Path, out: Path):
    """Where the report of a run is, seen from the page; None where it is not drawn."""
    def report_of(run: str) -> str | None:
        folder = root / run / "result"
        if not (folder / "report.pdf").is_file():
            return None
        return quote(Path(os.path.relpath(folder / "report.html", out)).as_posix())

    return report_of
