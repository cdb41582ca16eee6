"""The record of a solution: result.json and the tables that go with it; nothing is written here.

Units are those of the files: m and deg. What does not exist is None.
"""

import hashlib
import platform
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from itertools import product
from typing import Any

import numpy as np

from calib.adjust.critical import variance_factor_bounds
from calib.adjust.reliability import pope_taus
from calib.calibration import Solution, tape_by_parameter
from calib.chain.motion import PLACEMENT
from calib.chain.rig import Rig
from calib.document import judged as tables
from calib.document import solved
from calib.document.fields import Axes
from calib.document.fields import tables as rows
from calib.document.record import ResultRecord
from calib.edge import envelope_edge
from calib.intervals import intervals
from calib.judge.choice import Chosen
from calib.judge.gates import GLOBAL_TEST
from calib.judge.judgement import Judgement
from calib.judge.shot_checks import Checked, Offset
from calib.judge.suspects import Suspects
from calib.layout import STAND
from calib.machine import about
from calib.report import judged
from calib.report.evidence import (
    correlation_records,
    edge_record,
    names_of_shots,
    pose_records,
    sds_of,
    seen_from_house,
    taped_record,
)
from calib.report.numbers import unit_factors
from calib.report.set_up_record import known_point_records, set_up_records
from calib.report.words.model import source_says
from calib.report.words.suspect import suspect_says
from calib.report.words.weak import weak_says
from calib.uncertain import derived

SCHEMA = 1

#: Packages whose version may change a number in its last digits.
COMPUTED_WITH = ("numpy", "scipy")


def parameter_records(chosen: Chosen) -> list[solved.Parameter]:
    """One record per rig parameter, in the rig's order."""
    solution = chosen.solution
    rig, sd = solution.rig, np.sqrt(np.diag(solution.covariance))
    taped, tape_sd = tape_by_parameter(rig, solution.run.whole_tape)
    f, ends = unit_factors(p.unit for p in rig.parameters), intervals(solution)
    difference = solution.parameters - taped
    # With a tape that took part the difference has the tape's variance less the solved.
    apart = np.isin(rig.parameter_names, list(chosen.aside.tape))
    variance = tape_sd**2 + np.where(apart, sd**2, -sd**2)
    with np.errstate(invalid="ignore", divide="ignore"):
        z = np.where(variance > 1e-9 * tape_sd**2, difference / np.sqrt(variance), np.nan)
    free = np.where(np.array(solution.status) == "held", np.nan, f)
    return solved.Parameter.each(
        rig.parameters, value=f * solution.parameters, sd=free * sd, low95=free * ends.low,
        high95=free * ends.high, interval=np.where(ends.bent, "likelihood", "linear"),
        tape=f * taped, tape_sd=f * tape_sd, difference=f * difference,
        z=np.where(np.isfinite(free), z, np.nan), status=solution.status)


def covariance_record(solution: Solution) -> solved.Covariance:
    """Covariance of every estimated unknown, stands included, in the units of the record."""
    adjustment = solution.adjustment
    units = solution.problem.layout.units
    factor, free = unit_factors(units), adjustment.free
    scaled = adjustment.covariance * np.outer(factor, factor)
    return solved.Covariance(
        names=[name for name, is_free in zip(adjustment.names, free, strict=True) if is_free],
        units=[unit for unit, is_free in zip(units, free, strict=True) if is_free],
        matrix=scaled[np.ix_(free, free)].tolist(),
    )


def stand_records(solution: Solution) -> list[solved.Stand]:
    """Where each stand is; sds of the same names under "sd"."""
    layout = solution.problem.layout
    sd = layout.of(STAND, solution.adjustment.sd)
    factor = unit_factors(q.unit for q in layout.scope(STAND).quantities)
    return solved.Stand.each(
        name=solution.problem.stands, sd=factor * sd,
        **dict(zip(PLACEMENT, (factor * solution.stands).T, strict=True)))


def machine_record(solution: Solution) -> solved.Machine | None:
    """What was known of the machine from other shots, as it took part; m and deg."""
    if solution.run.machine is None:
        return None
    unit = {p.name: p.unit for p in solution.rig.parameters if not p.held}
    machine = about(solution.run.machine, unit)
    units, tape = [unit[name] for name in machine.names], machine.tape
    factor, of_tape = unit_factors(units), unit_factors(tape.si_units)
    return solved.Machine.like(
        machine, source=source_says(machine), units=units, values=factor * machine.value,
        root=machine.root / factor,
        before=machine.before if machine.names == solution.run.machine.names else (),
        tape=solved.TapedBefore.each(quantity=tape.quantities, unit=tape.si_units,
                                     value=of_tape * tape.value, sd=of_tape * tape.sd))


def fit_record(solution: Solution, judgement: Judgement) -> solved.Fit:
    """Counts, variance factor with the bounds of 95 % of good runs, and the global test.

    `passed` is the gate's answer: its level is the test's share of what all tests have.
    """
    adjustment = solution.adjustment
    dof = adjustment.dof
    low, high = (dof * np.array(variance_factor_bounds(dof))) if dof else (np.nan, np.nan)
    observations = len(adjustment.residuals) + len(adjustment.prior_residuals)
    return solved.Fit.like(
        adjustment,
        observations=observations,
        shot_coordinates=len(adjustment.residuals),
        tape_values=solution.problem.n_taped,
        machine_values=solution.problem.n_machine,
        set_up_values=(len(adjustment.prior_residuals) - solution.problem.n_taped
                       - solution.problem.n_machine),
        unknowns=observations - dof,
        chi2_low=low,
        chi2_high=high,
        passed=next(g.passed for g in judgement.gates if g.name == GLOBAL_TEST)
        if dof else None,
        rms_3d=rms_3d(solution.residuals),
        rms_3d_miss=rms_3d(solution.misses),
        condition=solution.shots_alone.condition,
    )


def rms_3d(residuals: np.ndarray) -> float:
    """Root mean square length of residuals, shape (n, 3)."""
    return float(np.sqrt(np.mean(np.sum(residuals**2, axis=1))))


def shot_records(solution: Solution, judgement: Judgement) -> list[solved.Shot]:
    """One record per shot, in the order of shots.csv; lengths in m."""
    run, checks = solution.run, judgement.reliability.observations
    w, redundancy = checks.w.reshape(-1, 3), checks.redundancy.reshape(-1, 3)
    largest = np.argmax(np.where(np.isnan(w), -1.0, np.abs(w)), axis=1)
    return solved.Shot.each(
        **names_of_shots(solution, run.shots), residual=solution.residuals, miss=solution.misses,
        w=w[np.arange(len(w)), largest], redundancy=redundancy.mean(axis=1),
        detectable=checks.mdb.reshape(-1, 3).max(axis=1), suspect=judgement.suspects.shot_mask,
        tests=judged.shot_reliability(solution, judgement),
        **seen_from_house(solution, run.shots, solution.misses), w_by_axis=w,
        redundancy_by_axis=redundancy)


def reading_records(solution: Solution, judgement: Judgement) -> list[solved.Reading]:
    """One record per pose and reading; angles in deg, strokes in m."""
    run, checks = solution.run, judgement.reliability.readings
    factors = run.rig.reading_factors
    tables = {"correction": factors * solution.adjustment.corrections, "w": checks.w,
              "tau": pope_taus(checks.w, solution.adjustment), "redundancy": checks.redundancy,
              "detectable": factors * checks.mdb, "suspect": judgement.suspects.reading_mask,
              "says": np.where(checks.checked, np.array(None), judged.UNCHECKED)}
    pose, reading = zip(*product(run.poses.ids, run.rig.readings), strict=True)
    return solved.Reading.each(
        pose=pose, reading=[r.name for r in reading], unit=[r.unit for r in reading],
        **{name: table.ravel() for name, table in tables.items()})


def derived_records(solution: Solution) -> list[solved.Derived]:
    """The rig's derived quantities with their sds."""
    numbers = derived(solution)
    told = [d for d in solution.rig.derived if d.name in numbers]
    value, sd = (unit_factors(d.unit for d in told) * [getattr(numbers[d.name], what) for d in told]
                 for what in ("nominal_value", "std_dev"))
    return solved.Derived.each(told, value=value, sd=sd)


def result_document(chosen: Chosen, judgement: Judgement) -> ResultRecord:
    """The whole of result.json."""
    return with_noise(verdict_document(chosen, judgement), judgement)


def with_noise(document: ResultRecord, judgement: Judgement) -> ResultRecord:
    """The document with how noisy each kind of value is, also said by the test of the fit."""
    return document.model_copy(update={
        "noise": judged.noise_records(judgement.noise),
        "verdict": judged.verdict_record(judgement, judgement.noise or ())})


def verdict_document(chosen: Chosen, judgement: Judgement) -> ResultRecord:
    """The document before it is known how noisy each kind of value is: no gate passes by that."""
    solution = chosen.solution
    rig, covariance = solution.rig, covariance_record(solution)
    nodes = envelope_edge(rig, solution.parameters)
    return ResultRecord(
        schema_=SCHEMA,
        calib=version("calib"),
        computed_with={
            "python": platform.python_version(),
            **{package: version(package) for package in COMPUTED_WITH},
        },
        run=solved.Run(files=dict(solution.run.files), notices=list(solution.run.notices)),
        fingerprint=fingerprint(_inputs(solution.run), chosen.aside.names),
        job=solved.Job(**rig.job),
        rig=solved.Rig(name=rig.name, title=rig.title, definition=rig.definition),
        converged=True,
        iterations=solution.adjustment.iterations,
        parameters=parameter_records(chosen),
        derived=derived_records(solution),
        covariance=covariance,
        correlations=correlation_records(covariance, int((~rig.held).sum())),
        stands=stand_records(solution),
        set_ups=set_up_records(solution),
        known_points=known_point_records(solution),
        machine=machine_record(solution),
        poses=pose_records(solution),
        shots=shot_records(solution, judgement),
        readings=reading_records(solution, judgement),
        suspects=suspect_records(judgement.suspects),
        tests=judged.levels_record(solution),
        without_suspects=judged.without_suspects_record(judgement.suspects),
        set_aside=judged.set_aside_record(chosen),
        trends=judged.trend_records(judgement.trends),
        correlation=judged.correlation_record(judgement.correlation),
        scale=judged.scale_record(judgement.scale),
        undetected=judged.undetected_record(solution, judgement.external),
        identifiability=judged.identifiability_record(judgement.identifiability),
        weak=[tables.Weak(parameters=weak.shares, says=weak_says(weak))
              for weak in judgement.identifiability.weak],
        check=check_record(solution, judgement.check, judgement.offset),
        edge=edge_record(nodes, solution.covariance),
        goal=judged.goal_record(judgement),
        taped=taped_record(nodes, solution.covariance, solution.run.whole_tape, judgement.edge.goal,
                           chosen.aside.tape),
        # Last what may be on its way from another process.
        plausible=judged.plausible_record(judgement.plausible),
        held_out=judged.held_out_record(judgement),
        fit=fit_record(solution, judgement),
        verdict=judged.verdict_record(judgement),
        noise=None,
    )


def _inputs(run):
    """Hashes of the files of a run, and of the result that its machine is known from."""
    known = run.machine
    return run.files if known is None or not known.sha256 else {
        **run.files, "of the machine": known.sha256}


def fingerprint(files: Mapping[str, str], aside: Sequence[str] = ()) -> str:
    """Of the files of a run and what was set aside: what makes one result another.

    Parameters
    ----------
    files : mapping of str to str
        Name to SHA-256.
    """
    if not files:
        return ""
    lines = [f"{name} {files[name]}\n" for name in sorted(files)]
    lines += [f"without {name}\n" for name in sorted(aside)]
    return hashlib.sha256("".join(lines).encode("utf-8")).hexdigest()[:12]


def suspect_records(suspects: Suspects) -> list[tables.Suspect]:
    """The suspects in the order in which they were found, and whether chance explains them."""
    beyond = {s.name for s in suspects.beyond_chance}
    return tables.Suspect.each(
        suspects.found, beyond_chance=[s.name in beyond for s in suspects.found],
        says=[suspect_says(s, suspects.solution) for s in suspects.found])


def check_record(solution: Solution, check: Checked | None, offset: Offset | None
                 ) -> tables.Check | None:
    """The check shots against their predictions, and what they are off by in common; m."""
    if check is None:
        return None
    return tables.Check.like(
        check,
        count=len(check.shots),
        rms_3d=rms_3d(check.misses),
        max_3d=float(check.lengths.max()),
        offset=offset and tables.Offset.like(offset),
        shots=tables.Checked.each(**names_of_shots(solution, check.shots), miss=check.misses,
                                  sd=sds_of(check.covariances), chi2=check.statistics),
    )


def truth_document(rig: Rig, run: Any, truth: Any, remark: str) -> dict:
    """What a simulated run was made from, in the units of the record."""
    factor = unit_factors(p.unit for p in rig.parameters)
    stands = dict.fromkeys(run.poses.stand)
    return {
        "remark": remark,
        "parameters": dict(zip(rig.parameter_names, (factor * truth.parameters).tolist(),
                               strict=True)),
        "stands": {name: dict(zip(PLACEMENT, (*place, float(np.degrees(heading))), strict=True))
                   for name, (*place, heading) in zip(stands, truth.placements.tolist(),
                                                      strict=True)},
        "gross_errors": {shot: Axes.of(error).table() for shot, error in truth.gross.items()},
    }


def result_tables(document: ResultRecord) -> dict[str, list[dict]]:
    """The tables that go with result.json, by file name: a record per row."""
    return {
        "parameters.csv": rows(document.parameters),
        "shots.csv": [_flat(record) for record in rows(document.shots)],
        "readings.csv": rows(document.readings),
    }


def _flat(record):
    """Nested records as columns ``residual_east`` and so on, behind the plain ones."""
    return dict(_cells(dict(sorted(record.items(), key=lambda cell: isinstance(cell[1], dict)))))


def _cells(record, before=""):
    for key, value in record.items():
        if isinstance(value, dict):
            yield from _cells(value, f"{before}{key}_")
        else:
            yield before + key, value
