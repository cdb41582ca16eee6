"""A plan as a document (JSON numbers, m and deg) and as the table of plan.csv."""

from collections.abc import Sequence
from importlib.metadata import version

import numpy as np
import pandas as pd

from calib.calibration import HOUSE_PLACEMENT
from calib.edge import edge_points
from calib.plan.curve import Curve
from calib.plan.look_alikes import KeptOut
from calib.plan.order import travel_seconds
from calib.plan.plan import Plan
from calib.plan.sight import arm_pins
from calib.report.numbers import number, numbers
from calib.report.plan_words import assumptions, pole_reach, promises

SCHEMA = 1

#: Points nearer to each other than this are one in a drawing, m.
_SAME = 0.01


def plan_document(
    plan: Plan, tape_source: str, grown: Curve | None = None, edge_only: Curve | None = None,
    goal: float | None = None, least: float | None = None, kept_out: Sequence[KeptOut] = (),
) -> dict:
    """All that is known of a plan.

    Parameters
    ----------
    tape_source : str
        Where the taped values and sds come from.
    grown, edge_only : Curve, optional
        Edge sd against minutes, and the same if nothing but the edge were shot.
    goal : float, optional
        Worst edge sd that is asked for, m.
    least : int, optional
        The least minutes that reach it.
    kept_out : sequence of KeptOut
        The taped values that keep out machines which the shots would fit as well.
    """
    prepared, task, rig = plan.prepared, plan.prepared.task, plan.prepared.task.rig
    ids = pose_ids(len(plan.design))
    document = {
        "schema": SCHEMA,
        "calib": version("calib"),
        "rig": {"name": rig.name, "title": rig.title},
        "criterion": plan.criterion,
        "seed": task.seed,
        "targets": [rig.target_names[t] for t in task.targets],
        "target_means": {rig.target_names[t]: rig.targets[t].means for t in task.targets},
        "readings": [
            {"name": r.name, "means": r.means, "driven": r.speed is not None}
            for r in rig.readings
        ],
        "stands": [stand_name(g) for g in range(plan.stands)],
        "poses": _poses(plan, ids),
        "predicted": {
            "worst": number(plan.edge_sd.max()),
            "median": number(np.median(plan.edge_sd)),
            "rms": number(np.sqrt(np.mean(plan.edge_sd**2))),
            "loose": number(plan.loose_sd),
            "efficiency": number(plan.efficiency),
        },
        "goal": None if goal is None else number(goal),
        "least_minutes": None if least is None else number(least),
        "robust": _robust(plan, ids),
        "undetermined": list(plan.undetermined),
        "kept_out": [{"quantity": one.quantity, "machines": list(one.machines)}
                     for one in kept_out],
        "observability": {name: number(value) for name, value in vars(plan.observability).items()},
        "minutes": _minutes(plan),
        "candidates": {
            "asked": prepared.candidates.asked,
            "left": len(prepared.candidates.joints),
            "bundles": len(prepared.bundles.pose),
            "removed": prepared.candidates.removed,
        },
        "site": _site(task.site),
        "noise": {
            "shot": dict(zip(("east", "north", "up"), numbers(task.noise.shot), strict=True)),
            "readings": dict(zip(rig.reading_names,
                                 numbers(rig.reading_factors * task.noise.readings), strict=True)),
        },
        "tape": {"source": tape_source,
                 "names": [*task.taped.names, *task.taped.machine_names]},
        "curve": None if grown is None else {
            **_curve(grown), "edge_only": None if edge_only is None else _curve(edge_only)},
    }
    document["says"] = promises(document)
    document["reach"] = pole_reach(document["poses"], task.site.foot_height, "plan")
    document["assumptions"] = assumptions(document)
    return document


def _curve(grown):
    return {
        "minutes": numbers(grown.minutes),
        "poses": grown.poses.tolist(),
        "median": numbers(grown.median),
        "worst": numbers(grown.worst),
        "knee": None if grown.knee is None else number(grown.knee),
    }


def _minutes(plan):
    """What the plan takes, by what is done, and what each of it was reckoned with."""
    task = plan.prepared.task
    effort, targets = task.rig.effort, [task.rig.targets[t] for t in task.targets]
    return {
        "total": number(plan.minutes.total),
        **{name: number(value) for name, value in vars(plan.minutes).items()},
        "per_pose": effort.settle, "per_stand": effort.stand,
        "per_shot": {target.name: number(effort.of_shot(target)) for target in targets},
        "pointed_at": [target.name for target in targets if target.pointed_at],
    }


def pose_ids(count: int, first: int = 1) -> list[str]:
    """Ids of poses in driving order."""
    width = max(2, len(str(first + count - 1)))
    return [f"{first + i:0{width}d}" for i in range(count)]


def stand_name(number: int) -> str:
    """The name of a planned stand, counted from 0."""
    return f"S{number + 1}"


def plan_table(document: dict) -> pd.DataFrame:
    """plan.csv: one row per pose, deg, with the columns of readings.csv first.

    What nobody drives is left empty: it is read in the cab. `lowest_` and `highest_` bound what is
    still fine; `edge_height_` is that of the edge's corners above the ground, m.
    """
    rows = []
    for pose in document["poses"]:
        driven = {name: span for name, span in pose["tolerance"].items() if span is not None}
        row = {"pose": pose["pose"], "stand": pose["stand"], "shoot": " ".join(pose["shoot"])}
        row |= {name: value if name in driven else None
                for name, value in pose["readings"].items()}
        for name, (below, above) in driven.items():
            row[f"lowest_{name}"] = round(pose["readings"][name] - below, 1)
            row[f"highest_{name}"] = round(pose["readings"][name] + above, 1)
        row["edge_height_lowest"], row["edge_height_highest"] = pose["edge_height"]
        rows.append(row)
    return pd.DataFrame(rows)


def pose_records(rig, parameters, readings, targets, foot_height: float) -> list[dict]:
    """Readings (deg, within half a turn; strokes in m), edge heights and drawings of poses.

    `edge_height` is that of the lowest and of the highest corner above level ground, which is
    `foot_height` below the boom foot pin; m.
    """
    shown = shown_readings(rig, readings)
    return [
        {"readings": dict(zip(rig.reading_names, numbers(row), strict=True)),
         "edge_height": _edge_height(drawing, foot_height), "drawing": drawing}
        for row, drawing in zip(shown, _drawings(rig, parameters, readings, targets), strict=True)
    ]


def _edge_height(drawing, foot_height):
    up = [corner[2] + foot_height for corner in drawing["edge"]]
    return [number(round(min(up), 2)), number(round(max(up), 2))]


def shown_readings(rig, readings: np.ndarray) -> np.ndarray:
    """Readings as a display gives them: deg, one decimal, -180 to 180; strokes in m to 1 cm."""
    angles = np.degrees((readings + np.pi) % (2 * np.pi) - np.pi).round(1) + 0.0
    return np.where([r.unit == "deg" for r in rig.readings], angles, readings.round(2))


def _poses(plan, ids):
    task = plan.prepared.task
    records = pose_records(task.rig, task.parameters, plan.readings, task.targets,
                           task.site.foot_height)
    seconds = travel_seconds(task.rig, plan.joints)
    tolerance = (task.rig.reading_factors[:, None] * plan.tolerance).round(2)
    tolerance = np.where([[r.unit == "deg"] for r in task.rig.readings],
                         tolerance.round(1), tolerance)
    for i, record in enumerate(records):
        first = i == 0 or plan.stand[i] != plan.stand[i - 1]
        record["pose"], record["stand"] = ids[i], stand_name(plan.stand[i])
        record["drive_seconds"] = None if first else number(seconds[i - 1, i])
        record["shoot"] = [task.rig.target_names[t]
                           for t, shot in zip(task.targets, plan.shots[i], strict=True) if shot]
        record["drawing"]["shots"] = {name: place for name, place in
                                      record["drawing"]["shots"].items()
                                      if name in record["shoot"]}
        record["tolerance"] = {
            name: numbers(span) if np.isfinite(span).all() else None
            for name, span in zip(task.rig.reading_names, tolerance[i], strict=True)
        }
    return records


def _robust(plan, ids):
    robust = plan.robustness
    return {
        "pose": ids[robust.pose],
        "pose_lost": number(robust.pose_lost),
        "targets_lost": number(robust.targets_lost),
        "undetermined": [ids[i] for i in robust.undetermined],
        "targets_undetermined": robust.targets_undetermined,
        "holds": robust.holds,
    }


def _drawings(rig, parameters, readings, targets):
    """Per pose the pins, the attachment's own frames, the edge and what is shot.

    Levelled house frame: forward, left, up of the boom foot pin, m. `attachment` is the number of
    the point of `machine` where the last long link ends.
    """
    n = len(readings)
    posture = rig.chain.posture(parameters, np.tile(HOUSE_PLACEMENT, (n, 1)), readings, False)
    ends = sorted({edge_points(rig)[0], edge_points(rig)[-1]})
    everything = np.array([*ends, *targets])
    points = posture.points(np.tile(everything, n), np.repeat(np.arange(n), len(everything)))
    points = points.position.reshape(n, len(everything), 3)
    arm = np.stack(arm_pins(posture), axis=1)
    beyond = np.stack(list(posture.positions.values()), axis=1)
    for i in range(n):
        machine = _thinned(arm[i])
        after = np.flatnonzero(np.linalg.norm(beyond[i] - arm[i, -1], axis=1) < _SAME)
        rest = beyond[i, after[-1] + 1 :] if len(after) else beyond[i, :0]
        whole = _thinned(np.vstack([machine, rest]))
        yield {
            "machine": whole.round(3).tolist(),
            "attachment": len(machine) - 1,
            "edge": points[i, : len(ends)].round(3).tolist(),
            "shots": dict(zip((rig.target_names[t] for t in targets),
                              points[i, len(ends):].round(3).tolist(), strict=True)),
        }


def _thinned(points):
    """Without points that lie on the one before."""
    step = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return points[np.append(True, step > _SAME)]


def _site(site):
    return {
        "foot_height": site.foot_height,
        "clearance": site.clearance,
        "highest": site.highest,
        "nearest": site.nearest,
        "instrument": None if site.instrument is None else list(site.instrument),
        "least_angle": number(np.degrees(site.least_angle)),
        "arm_width": site.arm_width,
        "house": list(site.house),
    }
