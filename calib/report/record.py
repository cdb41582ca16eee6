"""The record of a solution: result.json and the tables, as documents; nothing is written here.

Units are those of the files: m and deg. What does not exist is None.
"""

import platform
from importlib.metadata import version

import numpy as np
import pandas as pd
from scipy.stats import norm

from calib.adjust.critical import variance_factor_bounds
from calib.adjust.reliability import pope_taus
from calib.calibration import Solution
from calib.chain.motion import PLACEMENT
from calib.edge import envelope_edge
from calib.judge.check import Checked, Offset
from calib.judge.choice import Chosen
from calib.judge.judgement import Judgement
from calib.judge.suspects import Suspects
from calib.layout import SET_UP, STAND
from calib.report.evidence import (
    correlation_records,
    edge_record,
    pose_records,
    shot_evidence,
    taped_record,
)
from calib.report.judged import (
    correlation_record,
    goal_record,
    held_out_record,
    identifiability_record,
    levels_record,
    noise_records,
    plausible_record,
    reading_says,
    scale_record,
    set_aside_record,
    shot_reliability,
    trend_records,
    undetected_record,
    verdict_record,
    without_suspects_record,
)
from calib.report.numbers import axes, number, unit_factor, unit_factors
from calib.stations import CORRECTIONS
from calib.uncertain import derived

SCHEMA = 1

#: Packages whose version may change a number in its last digits.
COMPUTED_WITH = ("numpy", "scipy")


def parameter_records(solution: Solution) -> list[dict]:
    """One record per rig parameter, in the rig's order."""
    rig, sd = solution.rig, np.sqrt(np.diag(solution.covariance))
    taped, tape_sd = solution.tape
    factor = unit_factors(p.unit for p in rig.parameters)
    half = norm.ppf(0.975) * sd
    difference = solution.parameters - taped
    # The tape took part in the solution: the difference has the tape's variance less the solved.
    variance = tape_sd**2 - sd**2
    with np.errstate(invalid="ignore", divide="ignore"):
        z = np.where(variance > 1e-9 * tape_sd**2, difference / np.sqrt(variance), np.nan)
    records = []
    for i, (parameter, status) in enumerate(zip(rig.parameters, solution.status, strict=True)):
        value, f = solution.parameters[i], factor[i]
        held = status == "held"
        records.append({
            "name": parameter.name,
            "unit": parameter.unit,
            "means": parameter.means,
            "value": number(f * value),
            "sd": None if held else number(f * sd[i]),
            "low95": None if held else number(f * (value - half[i])),
            "high95": None if held else number(f * (value + half[i])),
            "tape": number(f * taped[i]),
            "tape_sd": number(f * tape_sd[i]),
            "difference": number(f * difference[i]),
            "z": None if held else number(z[i]),
            "status": status,
        })
    return records


def covariance_record(solution: Solution) -> dict:
    """Covariance of every estimated unknown, stands included, in the units of the record."""
    adjustment = solution.adjustment
    units = solution.problem.layout.units
    factor, free = unit_factors(units), adjustment.free
    scaled = adjustment.covariance * np.outer(factor, factor)
    return {
        "names": [name for name, is_free in zip(adjustment.names, free, strict=True) if is_free],
        "units": [unit for unit, is_free in zip(units, free, strict=True) if is_free],
        "matrix": scaled[np.ix_(free, free)].tolist(),
    }


def stand_records(solution: Solution) -> list[dict]:
    """Where each stand is; sds of the same names under "sd"."""
    layout = solution.problem.layout
    sd = layout.of(STAND, solution.adjustment.sd)
    factor = unit_factors(q.unit for q in layout.scope(STAND).quantities)
    return [
        {
            "name": name,
            **dict(zip(PLACEMENT, map(float, factor * values), strict=True)),
            "sd": dict(zip(PLACEMENT, map(float, factor * sds), strict=True)),
        }
        for name, values, sds in zip(solution.problem.stands, solution.stands, sd, strict=True)
    ]


def set_up_records(solution: Solution) -> list[dict]:
    """Where each set-up of a total station is, as solved; sds of the same names under "sd"."""
    set_ups = solution.run.set_ups
    if set_ups is None:
        return []
    start = np.column_stack([set_ups.position, set_ups.orientation])
    solved = start + solution.problem.corrections(solution.adjustment.parameters)
    solved[:, 3] = np.mod(solved[:, 3], 2 * np.pi)
    layout = solution.problem.layout
    sd = layout.of(SET_UP, solution.adjustment.sd)
    factor = unit_factors(q.unit for q in layout.scope(SET_UP).quantities)
    return [
        {
            "name": name,
            **dict(zip(CORRECTIONS, map(float, factor * values), strict=True)),
            "sd": dict(zip(CORRECTIONS, map(float, factor * sds), strict=True)),
        }
        for name, values, sds in zip(set_ups.ids, solved, sd, strict=True)
    ]


def fit_record(solution: Solution, judgement: Judgement) -> dict:
    """Counts, variance factor with the bounds of 95 % of good runs, and the global test.

    `passed` is the gate's answer: its level is the test's share of what all tests have.
    """
    adjustment = solution.adjustment
    dof = adjustment.dof
    low, high = (dof * np.array(variance_factor_bounds(dof))) if dof else (np.nan, np.nan)
    observations = len(adjustment.residuals) + len(adjustment.prior_residuals)
    return {
        "observations": observations,
        "shot_coordinates": len(adjustment.residuals),
        "tape_values": solution.problem.n_taped,
        "set_up_values": len(adjustment.prior_residuals) - solution.problem.n_taped,
        "unknowns": observations - dof,
        "dof": dof,
        "variance_factor": adjustment.variance_factor,
        "chi2": adjustment.chi2,
        "chi2_low": number(low),
        "chi2_high": number(high),
        "passed": next(g.passed for g in judgement.gates if g.name == "global test")
        if dof else None,
        "rms_3d": rms_3d(solution.residuals),
        "rms_3d_miss": rms_3d(solution.misses),
        "condition": number(solution.shots_alone.condition),
    }


def rms_3d(residuals: np.ndarray) -> float:
    """Root mean square length of residuals, shape (n, 3)."""
    return float(np.sqrt(np.mean(np.sum(residuals**2, axis=1))))


def shot_records(solution: Solution, judgement: Judgement) -> list[dict]:
    """One record per shot, in the order of shots.csv; lengths in m."""
    run, checks = solution.run, judgement.reliability
    w = checks.observation_w.reshape(-1, 3)
    redundancy = checks.observation_redundancy.reshape(-1, 3)
    mdb = checks.observation_mdb.reshape(-1, 3)
    evidence = shot_evidence(solution, judgement)
    tests = shot_reliability(solution, judgement)
    records = []
    for i, shot in enumerate(run.shots.ids):
        records.append({
            "shot": shot,
            "pose": run.poses.ids[run.shots.pose[i]],
            "target": run.rig.target_names[run.shots.target[i]],
            "residual": axes(solution.residuals[i]),
            "miss": axes(solution.misses[i]),
            "w": _largest(w[i]),
            "redundancy": number(redundancy[i].mean()),
            "detectable": number(mdb[i].max()),
            "suspect": bool(judgement.suspect_shots[i]),
            "tests": tests[i],
            **evidence[i],
        })
    return records


def reading_records(solution: Solution, judgement: Judgement) -> list[dict]:
    """One record per pose and reading; angles in deg."""
    run, checks = solution.run, judgement.reliability
    corrections = np.degrees(solution.adjustment.corrections)
    mdb = np.degrees(checks.reading_mdb)
    tau = pope_taus(checks.reading_w, solution.adjustment)
    return [
        {
            "pose": pose,
            "reading": reading,
            "correction": float(corrections[p, r]),
            "w": number(checks.reading_w[p, r]),
            "tau": number(tau[p, r]),
            "redundancy": number(checks.reading_redundancy[p, r]),
            "detectable": number(mdb[p, r]),
            "suspect": bool(judgement.suspect_readings[p, r]),
            "says": reading_says(judgement, p, r),
        }
        for p, pose in enumerate(run.poses.ids)
        for r, reading in enumerate(run.rig.reading_names)
    ]


def derived_records(solution: Solution) -> list[dict]:
    """The rig's derived quantities with their sds."""
    numbers = derived(solution)
    return [
        {
            "name": d.name,
            "unit": d.unit,
            "means": d.means,
            "value": unit_factor(d.unit) * numbers[d.name].nominal_value,
            "sd": unit_factor(d.unit) * numbers[d.name].std_dev,
        }
        for d in solution.rig.derived if d.name in numbers
    ]


def result_document(chosen: Chosen, judgement: Judgement) -> dict:
    """The whole of result.json."""
    solution = chosen.solution
    rig, covariance = solution.rig, covariance_record(solution)
    nodes = envelope_edge(rig, solution.parameters)
    return {
        "schema": SCHEMA,
        "calib": version("calib"),
        "computed_with": {
            "python": platform.python_version(),
            **{package: version(package) for package in COMPUTED_WITH},
        },
        "run": {"files": dict(solution.run.files), "notices": list(solution.run.notices)},
        "rig": {"name": rig.name, "title": rig.title, "definition": rig.definition},
        "converged": True,
        "iterations": solution.adjustment.iterations,
        "parameters": parameter_records(solution),
        "derived": derived_records(solution),
        "covariance": covariance,
        "correlations": correlation_records(covariance, int((~rig.held).sum())),
        "stands": stand_records(solution),
        "set_ups": set_up_records(solution),
        "poses": pose_records(solution),
        "shots": shot_records(solution, judgement),
        "readings": reading_records(solution, judgement),
        "fit": fit_record(solution, judgement),
        "suspects": suspect_records(judgement.suspects),
        "tests": levels_record(solution, judgement),
        "without_suspects": without_suspects_record(judgement.suspects),
        "set_aside": set_aside_record(chosen),
        "noise": noise_records(judgement.noise),
        "trends": trend_records(judgement.trends),
        "held_out": held_out_record(judgement),
        "correlation": correlation_record(judgement.correlation),
        "scale": scale_record(judgement.scale),
        "undetected": undetected_record(solution, judgement.external),
        "identifiability": identifiability_record(judgement.identifiability),
        "weak": [{"parameters": weak.shares, "says": weak.says} for weak in judgement.weak],
        "check": check_record(solution, judgement.check, judgement.offset),
        "plausible": plausible_record(judgement.plausible),
        "edge": edge_record(nodes, solution.covariance),
        "goal": goal_record(judgement.edge),
        "taped": taped_record(nodes, solution.covariance, solution.run.tape),
        "verdict": verdict_record(judgement),
    }


def suspect_records(suspects: Suspects) -> list[dict]:
    """The suspects in the order in which they were found, and whether chance explains them."""
    beyond = {s.name for s in suspects.beyond_chance}
    return [
        {"kind": s.kind, "name": s.name, "statistic": s.statistic, "dof": s.dof, "limit": s.limit,
         "chance": s.chance, "beyond_chance": s.name in beyond, "says": s.says}
        for s in suspects.found
    ]


def check_record(solution: Solution, check: Checked | None, offset: Offset | None) -> dict | None:
    """The check shots against their predictions, and what they are off by in common; m."""
    if check is None:
        return None
    return {
        "count": len(check.shots),
        "rms_3d": rms_3d(check.misses),
        "max_3d": float(check.lengths.max()),
        "tolerance": check.tolerance,
        "passed": check.passed,
        "offset": None if offset is None else {
            "mean": axes(offset.mean), "sd": axes(offset.sd), "chance": offset.chance},
        "shots": [
            {
                "shot": shot,
                "pose": solution.run.poses.ids[pose],
                "target": solution.rig.target_names[target],
                "miss": axes(miss),
                "sd": axes(np.sqrt(np.diag(covariance))),
                "chi2": float(statistic),
            }
            for shot, pose, target, miss, covariance, statistic in zip(
                check.shots.ids, check.shots.pose, check.shots.target, check.misses,
                check.covariances, check.statistics, strict=True,
            )
        ],
    }


def truth_document(rig, run, truth, remark: str) -> dict:
    """What a simulated run was made from, in the units of the record."""
    factor = unit_factors(p.unit for p in rig.parameters)
    stands = dict.fromkeys(run.poses.stand)
    return {
        "remark": remark,
        "parameters": dict(zip(rig.parameter_names, (factor * truth.parameters).tolist(),
                               strict=True)),
        "stands": {
            name: {"east": east, "north": north, "up": up, "heading": np.degrees(heading)}
            for name, (east, north, up, heading) in zip(stands, truth.placements.tolist(),
                                                        strict=True)
        },
        "gross_errors": {shot: axes(error) for shot, error in truth.gross.items()},
    }


def tables(document: dict) -> dict[str, pd.DataFrame]:
    """The tables that go with result.json, by file name."""
    return {
        "parameters.csv": pd.DataFrame(document["parameters"]),
        "shots.csv": pd.json_normalize(document["shots"], sep="_"),
        "readings.csv": pd.DataFrame(document["readings"]),
    }


def _largest(w):
    """The value of largest size, None where nothing is checked."""
    if not np.isfinite(w).any():
        return None
    return float(w[np.nanargmax(np.abs(w))])
