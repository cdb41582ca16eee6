"""A result read back: tables as DataFrames, quantities as correlated uncertain numbers.

>>> result = load_result("RUN/result")                              # doctest: +SKIP
>>> result.numbers["boom_length"] + result.numbers["stick_length"]  # doctest: +SKIP
8.6147+/-0.0036
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from pydantic import ValidationError
from uncertainties import UFloat

from calib.chain.parts import factor_to_si
from calib.chain.rig import Rig, rig_from_dict
from calib.chain.schema import RigError
from calib.document.fields import Record, tables
from calib.document.record import ResultRecord
from calib.document.solved import TapedBefore
from calib.judge.survey import Survey, same_rows
from calib.run.complaints import Complaint, InputError, quote
from calib.run.records import Machine, Tape
from calib.run.result_folder import recover_result
from calib.run.rig_file import out_of_range
from calib.run.text import ordinary, parse_json
from calib.run.units import LIMITS, from_si
from calib.solved_machine import covariance_of, parameters_of
from calib.uncertain import correlated_numbers

if TYPE_CHECKING:
    import pandas as pd

#: The version of result.json that this reads.
SCHEMA = 1

RESULT = "result.json"
_LARGEST = 200_000_000


@dataclass(frozen=True)
class Result:
    """A solved run as its result.json tells it. Read one with `load_result`.

    Attributes
    ----------
    document : ResultRecord
        The whole of result.json, in m and deg.
    sha256 : str
        Of the file as it was read.
    """

    document: ResultRecord
    path: Path
    sha256: str = ""

    def __repr__(self):
        return f"<Result: {self.path}, {self.document.verdict.says}>"

    @cached_property
    def parameters(self) -> pd.DataFrame:
        """One row per rig parameter, in the units of its column `unit`."""
        return _frame(self.document.parameters)

    @cached_property
    def derived(self) -> pd.DataFrame:
        """Quantities computed from the parameters."""
        return _frame(self.document.derived)

    @cached_property
    def shots(self) -> pd.DataFrame:
        """One row per shot, lengths in m; nested records become ``residual_east`` and so on."""
        return _frame(self.document.shots)

    @cached_property
    def readings(self) -> pd.DataFrame:
        """One row per pose and reading, deg."""
        return _frame(self.document.readings)

    @cached_property
    def poses(self) -> pd.DataFrame:
        """One row per pose, deg; the edge's sd there in m."""
        return _frame(self.document.poses)

    @cached_property
    def stands(self) -> pd.DataFrame:
        """One row per stand, m and deg."""
        return _frame(self.document.stands)

    @cached_property
    def covariance(self) -> pd.DataFrame:
        """Of every estimated unknown, in the units of the record."""
        from pandas import DataFrame

        record = self.document.covariance
        return DataFrame(record.matrix, record.names, record.names)

    @cached_property
    def numbers(self) -> dict[str, UFloat]:
        """Rig parameters by name in m and deg, correlated; sd 0 where held."""
        factor = np.array([factor_to_si(p.unit) for p in self.rig.parameters])
        numbers = correlated_numbers(self.values_si / factor,
                                     self.covariance_si / np.outer(factor, factor))
        return dict(zip(self.rig.parameter_names, numbers, strict=True))

    @cached_property
    def rig(self) -> Rig:
        """The rig as it was solved."""
        return rig_from_dict(self.document.rig.definition)

    @cached_property
    def values_si(self) -> np.ndarray:
        """Rig parameters, shape (p,), m and rad."""
        return parameters_of(self.document, self.rig)

    @cached_property
    def covariance_si(self) -> np.ndarray:
        """Of the rig parameters, shape (p, p), m and rad; zero rows where held."""
        return covariance_of(self.document, self.rig)

    @cached_property
    def tape(self) -> Tape:
        """The tape that took part in the solution itself, m and rad."""
        taped = self.document.taped
        used = _tape([] if taped is None else [
            TapedBefore(quantity=r.quantity, unit=r.unit, value=r.tape, sd=r.tape_sd)
            for r in taped.rows if r.used])
        return used if self.machine is None else used.select(~same_rows(used, self.machine.tape))

    @cached_property
    def machine(self) -> Machine | None:
        """What was known of the machine from other shots, m and rad."""
        told = self.document.machine
        if told is None:
            return None
        factor = np.array([factor_to_si(unit) for unit in told.units])
        root = np.array(told.root).reshape(-1, len(told.names))
        return Machine(tuple(told.names), factor * np.array(told.values), root / factor,
                       told.source, told.sha256, tuple(told.before), tuple(told.shots),
                       _tape(told.tape))

    @cached_property
    def survey(self) -> Survey:
        """What drift and comparison need of it."""
        document = self.document
        return Survey(
            rig=self.rig,
            parameters=self.values_si,
            covariance=self.covariance_si,
            estimated=tuple(p.name for p in document.parameters if p.status != "held"),
            tape=self.tape,
            chi2=document.fit.chi2,
            dof=document.fit.dof,
            identity=document.run.files.get("shots.csv") or self.sha256,
            failed=tuple(document.verdict.failed),
            shots=tuple((s.target, *s.position.numbers) for s in document.shots),
            time=next((p.time for p in document.poses if p.time), document.job.date or ""),
            whose=(document.job.machine or "", document.job.serial or ""),
            machine=self.machine,
            sha256=self.sha256,
            known_points=tuple((p.name, p.east, p.north, p.up) for p in document.known_points),
        )


def _frame(records: Iterable[Record]) -> pd.DataFrame:
    """A row per record; nested ones become columns ``residual_east`` and so on."""
    from pandas import json_normalize  # pandas takes a while to come

    return json_normalize(tables(records), sep="_")


def load_result(path: str | Path) -> Result:
    """Read a result.

    Parameters
    ----------
    path : str or Path
        result.json, or the folder it is in.

    Raises
    ------
    InputError
        If there is no such file or it is no result of this version.
    """
    path = Path(path)
    if path.name != RESULT:
        recover_result(path)
        if path.is_dir():
            path = path / RESULT
    content = _content(path)
    document = _record(_parsed(content, path), path)
    result = Result(document, path, hashlib.sha256(content).hexdigest())
    _check_rig(result)
    return result


def _content(path):
    expected = f"{RESULT} of a solved run, or its folder"
    try:
        if path.stat().st_size > _LARGEST:
            raise InputError.of(path, f"{path.stat().st_size / 1e6:,.0f} MB", expected)
        return ordinary(path).read_bytes()
    except FileNotFoundError:
        raise InputError.of(path, "no such file", expected) from None
    except (OSError, ValueError) as error:
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        raise InputError.of(path, f"a file that cannot be read ({reason})", expected) from None


def _parsed(content, path):
    """The document, if it is one of this version."""
    try:
        document = parse_json(content)
    except ValueError as error:
        raise InputError.of(path, f"no JSON ({error})", f"{RESULT} as calib solve writes it"
                         ) from None
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        found = document.get("schema") if isinstance(document, dict) else None
        raise InputError.of(path, f"schema {str(found)[:40]}", f"a result of schema {SCHEMA}")
    needed = {f.alias or name for name, f in ResultRecord.model_fields.items() if f.is_required()}
    missing = [key for key in sorted(needed) if key not in document]
    if missing:
        raise InputError.of(path, "no " + ", ".join(missing),
                         "a whole result; solve the run again with this version")
    return document


def _record(document, path):
    """The document as the schema has it."""
    try:
        return ResultRecord.model_validate(document)
    except ValidationError as error:
        raise InputError([
            Complaint(str(path), None, ".".join(map(str, e["loc"])) or None,
                      "nothing" if e["type"] == "missing" else quote(repr(e["input"])),
                      e["msg"].removeprefix("Value error, ").removeprefix("Input should be "))
            for e in error.errors()]) from None
    except RecursionError:
        raise InputError.of(path, "tables nested too deeply", f"{RESULT} as calib solve writes it"
                         ) from None


def _check_rig(result):
    """Complain unless the rig is one, and the tables are about it."""
    try:
        rig = result.rig
        problems = out_of_range(rig)
    except RigError as error:
        rig, problems = None, error.problems
    complaints = [Complaint(str(result.path), None, f"rig.definition.{key}", quote(found), expected)
                  for key, found, expected in problems]
    if rig is not None:
        complaints += [
            Complaint(str(result.path), None, key, quote(", ".join(found)),
                      "what the rig has: " + ", ".join(known))
            for key, found, known in _against(rig, result.document)]
    if complaints:
        raise InputError(complaints)
    _check_numbers(result)


def _check_numbers(result):
    """Complain of values that no machine has, and of a covariance that none is."""
    for parameter, value in zip(result.rig.parameters, result.values_si, strict=True):
        limit, expected = LIMITS[parameter.unit]
        if abs(value) > limit:
            raise InputError.of(result.path, f"{from_si(value, parameter.unit):g}", expected,
                                column=f"parameters.{parameter.name}.value")
    matrix = np.array(result.document.covariance.matrix)
    sd = np.sqrt(np.diag(matrix))
    scale = np.where(sd > 0, sd, 1.0)
    if matrix.size and np.linalg.eigvalsh(matrix / np.outer(scale, scale))[0] < -1e-6:
        raise InputError.of(result.path, "correlations that contradict each other",
                            "the covariance as calib solve writes it", column="covariance.matrix")


def _against(rig, document):
    """Key, what is in the tables, what is in the rig; where the two differ."""
    units = {p.name: p.unit for p in (*rig.parameters, *rig.derived)}
    targets, readings = set(rig.target_names), list(rig.reading_names)
    edge = [document.edge, *([document.taped.edge] if document.taped else [])]
    yield from (row for row in (
        ("parameters", [f"{p.name} {p.unit}" for p in document.parameters],
         [f"{p.name} {p.unit}" for p in rig.parameters]),
        ("poses.joints", document.reading_names, readings),
    ) if row[1] != row[2])
    rows = document.taped.rows if document.taped else []
    yield from (row for row in (
        ("shots.target", {s.target for s in document.shots} - targets, rig.target_names),
        ("readings.reading", {r.reading for r in document.readings} - set(readings),
         readings),
        ("edge.points", {p for e in edge for p in e.points} - targets, rig.target_names),
        ("edge.axes", {a.reading for e in edge for a in e.axes} - set(readings), readings),
        ("taped.rows", {r.quantity for r in rows if units.get(r.quantity) != r.unit},
         units),
        ("machine.names", set() if document.machine is None else
         {n for n, u in zip(document.machine.names, document.machine.units, strict=True)
          if units.get(n) != u}, units),
        ("machine.tape", set() if document.machine is None else
         {t.quantity for t in document.machine.tape if units.get(t.quantity) != t.unit}, units),
        ("derived", {d.name for d in document.derived} - set(units), units),
    ) if row[1])


def _tape(rows):
    factor = np.array([factor_to_si(r.unit) for r in rows])
    return Tape(tuple(r.quantity for r in rows), factor * np.array([r.value for r in rows]),
                factor * np.array([r.sd for r in rows]), tuple(r.unit for r in rows),
                tuple(range(2, len(rows) + 2)))
