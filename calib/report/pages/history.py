"""The history of a rig: one line per result, appended and never changed, each linked to the last.

A line holds the hash of the result, the hash of its inputs, its values, and the hash of the line
before: a line that was edited or taken out breaks the links of those after it.
"""

import csv
import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import TypeAdapter

from calib.document.fields import Number, Spread, Unit
from calib.document.record import Decision, ResultRecord
from calib.report.blocks import Name, Section, Table, Text, in_two, words
from calib.report.figures.small_multiples import CellGrid, Plot
from calib.report.figures.style import INK, PLAIN, Canvas, short
from calib.report.numbers import SHOWN, value_and_sd
from calib.report.spoken import spoken
from calib.report.words.job import job_words
from calib.spreadsheet import as_cell, unguard

COLUMNS = ("number", "result", "time", "rig", "passed", "result_sha256", "inputs_sha256",
           "values", "previous_sha256", "job")

#: Whether every gate passed, in the file and on the page.
_PASSED = {True: "yes", False: "no", None: "not yet"}
_GATES = {True: "passed", False: "FAILED", None: "NOT YET: no taped length tells the scale"}

#: So many results the table of values shows, so that a value and its sd stay in one line.
_LATEST = 4

#: The previous hash of the first line.
NOTHING = "0" * 64


#: Value, sd and unit, m and deg; sd None where held.
Quantity = tuple[Number, Spread | None, Unit]
_VALUES = TypeAdapter(dict[str, Quantity])


class BrokenHistory(Exception):
    """A history that is none, or was changed: the line, what was found and what was expected."""

    def __init__(self, line: int, found: str, expected: str):
        self.line, self.found, self.expected = line, found, expected
        super().__init__(f"line {line}: found {found}, expected {expected}")


@dataclass(frozen=True)
class Entry:
    """A line of the history."""

    number: int
    result: str  #: Path of the result below the folder, with ``/``.
    time: str  #: Of the run's first pose, or the date of the job; empty if neither is stated.
    rig: str
    passed: bool | None  #: Every gate; None where it did, and no taped length tells the scale.
    result_sha256: str
    inputs_sha256: str
    values: dict[str, Quantity]
    previous_sha256: str
    #: What rig.toml states of the job; None in a history that was begun without that column.
    job: str | None = None

    def line(self) -> str:
        """The line as it is written, with its line feed."""
        values = json.dumps(self.values, separators=(",", ":"), ensure_ascii=False)
        cells = [str(self.number), self.result, self.time, self.rig,
                 _PASSED[self.passed], self.result_sha256, self.inputs_sha256, values,
                 self.previous_sha256, *(() if self.job is None else (self.job,))]
        return ",".join(map(as_cell, cells)) + "\n"


def header(job: bool = True) -> str:
    """The first line of the file; of one that was begun without the column of the job."""
    return ",".join(COLUMNS if job else COLUMNS[:-1]) + "\n"


def read_history(text: str) -> tuple[list[Entry], str]:
    """Read and verify a history.

    Returns
    -------
    entries : list of Entry
    kept : str
        The text up to the last whole line, with its line end: a last line that was cut short is
        dropped.

    Raises
    ------
    BrokenHistory
        Where a line is no line of a history, or does not follow from the one before.
    """
    cut = not text.endswith("\n")
    if cut and header().startswith(text):
        return [], ""
    lines = (text + "\n" * cut).splitlines(keepends=True)
    if lines[0] not in (header(), header(False)):
        raise BrokenHistory(1, "another heading",
                            "the heading of a history: " + header().strip())
    entries, previous = [], NOTHING
    for number, line in enumerate(lines[1:], start=1):
        try:
            entry = _entry(next(csv.reader([line])), lines[0] == header())
            if entry.line() != line:  # a key twice, or numbers written in another way
                raise ValueError(line)
        except (ValueError, StopIteration, RecursionError, csv.Error):
            if cut and number == len(lines) - 1:
                break
            raise BrokenHistory(number + 1, "no line of a history",
                                "a line as calib history wrote it") from None
        if entry.previous_sha256 != previous or entry.number != number:
            raise BrokenHistory(
                number + 1, f"the link {entry.previous_sha256[:12]}...",
                f"{previous[:12]}...: a line before this one was changed or taken out")
        entries.append(entry)
        previous = _digest(line)
    return entries, "".join(lines[:len(entries) + 1])


def _entry(cells, with_job):
    number, result, time, rig, passed, own, inputs, values, previous, *job = cells
    if len(job) != with_job:
        raise ValueError(job)
    if passed not in _PASSED.values():
        raise ValueError(passed)
    return Entry(int(number), unguard(result), time, unguard(rig),
                 {text: was for was, text in _PASSED.items()}[passed], own, inputs,
                 _VALUES.validate_json(values), previous, *map(unguard, job))


def additions(entries: list[Entry], results: Iterable[tuple[str, str, ResultRecord]]
              ) -> list[Entry]:
    """Entries for the results that the history does not hold, in the order of their times.

    Each result is its path, the SHA-256 of its file and its document.

    A result without times comes after those with; results of the same time by their path.
    """
    known = {entry.result_sha256 for entry in entries}
    previous = _digest(entries[-1].line()) if entries else NOTHING
    without_job = bool(entries) and entries[0].job is None
    fresh: dict[str, tuple[str, str, str, ResultRecord]] = {}
    for path, digest, document in results:
        if digest not in known:
            first = min((pose.time for pose in document.poses if pose.time),
                        default=document.job.date or "")
            fresh.setdefault(digest, (first, path, digest, document))
    added: list[Entry] = []
    # An empty time sorts last.
    for time, path, digest, document in sorted(fresh.values(),
                                               key=lambda r: (r[0] == "", *r[:3])):
        entry = Entry(
            number=len(entries) + len(added) + 1,
            result=path,
            time=time,
            rig=document.rig.name,
            passed=(False if document.decision is Decision.DO_NOT else
                    True if document.decision is Decision.ENTER else None),
            result_sha256=digest,
            inputs_sha256=_inputs(document),
            values={p.name: (p.value, p.sd, p.unit) for p in document.parameters},
            previous_sha256=previous,
            job=None if without_job else job_words(document.job),
        )
        added.append(entry)
        previous = _digest(entry.line())
    return added


def _inputs(document):
    files = document.run.files
    return _digest("".join(f"{name} {files[name]}\n" for name in sorted(files)))


def _digest(text):
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def history_document(entries: list[Entry]) -> dict:
    """The history as one document."""
    return {"schema": 1, "results": [{**vars(entry)} for entry in entries]}


def history_sections(results: list[Entry]) -> list[Section]:
    """A table of the results, a table of the values, and a plot of each quantity."""
    listed = Table("Results in the order in which they were recorded",
                   ("number", "result", "date of the run", "rig", "job", "gates"),
                   [[str(r.number), r.result.removesuffix("/result.json"), r.time[:10], r.rig,
                     r.job or "", _GATES[r.passed]] for r in results],
                   [not r.passed for r in results], wide=(1, 4))
    if not results:
        return [Section("history", "What was recorded", (Text(words("No results were found.")),))]
    latest = results[-_LATEST:]
    rows = [[Name(name), next(SHOWN[r.values[name][2]][0] for r in latest if name in r.values),
             *(_value_text(r, name) for r in latest)] for name in moving_names(latest)]
    values = Table(f"Values ± one sd of the last {len(latest)} results; empty: not determined "
                   "there", ("quantity", "unit", *map(_numbered, latest)), rows, wide=(0,))
    machines = {_machine(r) for r in results}
    remark = () if len(machines) < 2 else (Text(words(
        f"These are results of {len(machines)} machines, by rig and job: what differs from one to "
        "another is no change of a machine.")),)
    moving = moving_names(results)
    pictures = [] if len(results) < 2 else in_two(
        "quantities", "Each quantity over the results",
        "A small panel per quantity: its value less that of the first result of the same machine "
        "in mm or deg, with bars of two sds, in the order of the results; a failed one is hollow, "
        "and no line leads to it.", quantities,
        moving, 0.7, 1.3)
    return [Section("history", "What was recorded", (listed, *remark, values, *pictures))]


def _numbered(result):
    number = f"number {result.number}"
    return f"{number}, failed" if result.passed is False else number


def _value_text(result, name):
    if not _determines(result, name):
        return ""
    value, sd, unit = result.values[name]
    return "\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}".join(value_and_sd(value, sd, SHOWN[unit][1]))


def _determines(result, name):
    """Whether a result estimated a quantity: what it held is no value of the machine."""
    return name in result.values and bool(result.values[name][1])


def _machine(entry):
    """What tells the machine of a result: its rig, and machine and serial number of the job."""
    job = entry.job or ""
    named, serial, number = job.partition(" (serial number ")
    return entry.rig, named + serial + number.partition(")")[0] if serial else job.split(",")[0]


def moving_names(results: list[Entry]) -> list[str]:
    """Quantities that some result estimated."""
    return list(dict.fromkeys(
        name for r in results for name in r.values if _determines(r, name)))


def quantities(figure: Canvas, results: list[Entry], plots: Sequence[str]) -> None:
    """Change of each quantity since the machine's first result with it, with bars of two sds."""
    cells = CellGrid(figure, -(-len(plots) // 2), 2, top=0.4, gap=(0.5, 0.6))
    for k, name in enumerate(plots):
        have = [r for r in results if _determines(r, name)]
        x = np.array([r.number for r in have])
        value, sd = np.array([r.values[name][:2] for r in have]).T
        label, factor = SHOWN[have[0].values[name][2]]
        whose, failed = [_machine(r) for r in have], np.array([r.passed is False for r in have])
        first = np.array([whose.index(machine) for machine in whose])
        change, bar = factor * (value - value[first]), 2 * factor * sd
        reach = 1.15 * max(np.abs(change).max() + bar.max(), 1e-6)
        plot = Plot(cells, *divmod(k, 2), (0.5, results[-1].number + 0.5), (-reach, reach),
                    f"{short(spoken(name), 24)}, {label}", x_label="result", x_whole=True)
        for xi, ci, bi in zip(x, change, bar, strict=True):
            cells.line(*plot.place([xi, xi], [ci - bi, ci + bi]), INK, 1.0)
        for machine in np.unique(first):
            joined = (first == machine) & ~failed
            cells.line(*plot.place(x[joined], change[joined]), PLAIN)
        cells.axes.scatter(*plot.place(x, change), s=12, edgecolors=PLAIN,
                             facecolors=np.where(failed, "white", PLAIN))
    cells.finish()
