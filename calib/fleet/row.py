"""What a fleet keeps of each run: a row of numbers, and the columns that rows are made of."""

from collections.abc import Iterable, Mapping
from typing import Any

from calib.document.record import ResultRecord

#: What may have become of a run, the worst first.
FAULT, NOT_WRITTEN, INPUT, NOT_DETERMINED, NOT_CONVERGED, FAILED, NOT_YET, PASSED = STATES = (
    "fault of the program", "not written", "input at fault", "not determined", "not converged",
    "gates failed", "not yet", "passed")

#: What says whose run it is.
WHOSE = ("machine", "serial", "date", "fingerprint")

#: Columns of every row, in order; those of parameters come behind.
COLUMNS = ("run", "inputs", "status", "message", "seconds", "megabytes", "bytes", "rig", "shots",
           "poses", "variance_factor", "dof", "rms_3d_m", "edge95_m", "failed", "suspects",
           *WHOSE)

#: What a parameter has in a row: its columns are ``NAME``, ``NAME.sd`` and so on, in m and deg.
OF_PARAMETER = ("", ".sd", ".tape", ".tape_sd", ".z")


def solved_row(document: ResultRecord) -> dict[str, Any]:
    """The numbers of a solved run, m and deg."""
    return {
        "status": (FAILED if not document.verdict.passed else
                   PASSED if document.to_tape is None else NOT_YET),
        "rig": document.rig.name,
        "shots": len(document.shots),
        "poses": len(document.shot_poses),
        "variance_factor": document.fit.variance_factor,
        "dof": document.fit.dof,
        "rms_3d_m": document.fit.rms_3d,
        # What the sds of a result at fault promise is no promise.
        "edge95_m": document.goal.within95 if document.verdict.passed else None,
        "failed": ", ".join(document.verdict.failed),
        "suspects": sum(s.beyond_chance for s in document.suspects),
        "machine": document.job.machine, "serial": document.job.serial,
        "date": document.job.date, "fingerprint": document.fingerprint,
        "parameters": {p.name: [p.value, p.sd, p.tape, p.tape_sd, p.z, p.unit]
                       for p in document.parameters if p.sd is not None},
    }


def columns_of(rows: Iterable[Mapping[str, Any]]) -> tuple[list[str], dict[str, str]]:
    """All columns that some rows need, and the unit of each parameter."""
    units: dict[str, str] = {}
    for row in rows:
        for name, values in row.get("parameters", {}).items():
            units.setdefault(name, values[-1])
    return [*COLUMNS, *(name + what for name in units for what in OF_PARAMETER)], units


def flat(row: Mapping[str, Any], columns: Iterable[str]) -> dict[str, Any]:
    """A row with a value for each column, None where it has none."""
    cells = {name: row.get(name) for name in COLUMNS}
    for name, values in row.get("parameters", {}).items():
        cells |= {name + what: value for what, value in zip(OF_PARAMETER, values, strict=False)}
    return {column: cells.get(column) for column in columns}
