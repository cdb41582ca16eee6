"""A plan as a document (JSON numbers, m and deg) and as the rows of plan.csv."""

import hashlib
from collections.abc import Sequence
from importlib.metadata import version
from itertools import compress

import numpy as np

from calib.adjust.distributions import TIMES_SD
from calib.chain.circle import wrapped
from calib.chain.rig import Rig
from calib.document import planned
from calib.document.solved import Job
from calib.edge import edge_points
from calib.plan.candidates import joints_at
from calib.plan.curve import Curve
from calib.plan.display import marks_on_house
from calib.plan.look_alikes import KeptOut
from calib.plan.order import travel_seconds
from calib.plan.plan import Plan
from calib.plan.sight import ahead, arm_pins, house_origin, placed
from calib.plan.task import Task
from calib.report.numbers import number, numbers
from calib.report.plan_words import DECIMALS, assumptions, pole_reach, promises, removed_says

#: 2: lengths are 1 sd where their description says so, the goal is at 95 %.
SCHEMA = 2

#: Points nearer to each other than this are one in a drawing, m.
_SAME = 0.01


def plan_document(
    plan: Plan, tape_source: str, grown: Curve | None = None, edge_only: Curve | None = None,
    goal: float | None = None, least: tuple[float | None, float | None] = (None, None),
    kept_out: Sequence[KeptOut] = (),
) -> planned.PlanRecord:
    """All that is known of a plan.

    Parameters
    ----------
    tape_source : str
        Where the taped values and sds come from.
    grown, edge_only : Curve, optional
        Edge sd against minutes, and the same if nothing but the edge were shot.
    goal : float, optional
        What the edge must be known to at 95 %, worst over the envelope, m.
    least : tuple of (float or None, float or None)
        The least minutes that reach it, and that do even if any one pose is lost.
    kept_out : sequence of KeptOut
        Further taped values that keep out machines which the shots would fit as well.
    """
    task, rig = plan.prepared.task, plan.prepared.task.rig
    ids, found = pose_ids(len(plan.design)), plan.prepared.candidates
    return _told(planned.PlanRecord(
        schema_=SCHEMA,
        calib=version("calib"),
        rig=planned.PlannedRig(name=rig.name, title=rig.title),
        job=Job(**rig.job),
        criterion=plan.criterion,
        seed=task.seed,
        targets=[rig.target_names[t] for t in task.targets],
        target_means={rig.target_names[t]: rig.targets[t].means for t in task.targets},
        readings=[planned.PlannedReading.like(r, driven=r.speed is not None,
                                              swings=r.kind == "slew") for r in rig.readings],
        notes=[planned.PlannedNote.like(c) for c in rig.needed_columns],
        stands=[stand_name(g) for g in range(plan.stands)],
        poses=_poses(plan, ids),
        predicted=_predicted(plan),
        goal=goal,
        least_minutes=least[0],
        least_minutes_one_lost=least[1],
        robust=_robust(plan, ids),
        undetermined=list(plan.undetermined),
        kept_out=[planned.KeptOutRecord.like(one) for one in kept_out],
        display=[planned.DisplayNeeds.like(mark, mark=mark.name, bearing_sd=(
            mark.bearing_sd and np.degrees(mark.bearing_sd))) for mark in marks_on_house(plan)],
        observability={k: number(value) for k, value in vars(plan.observability).items()},
        minutes=_minutes(plan),
        candidates=planned.CandidatesRecord(
            asked=found.asked, left=len(found.joints), removed=removed_says(found.removed),
            bundles=len(plan.prepared.bundles.pose)),
        site=planned.SiteRecord.like(task.site, least_angle=np.degrees(task.site.least_angle)),
        noise=planned.Errors(
            shot=dict(zip(("east", "north", "up"), numbers(task.noise.shot), strict=True)),
            readings=dict(zip(rig.reading_names, numbers(
                rig.reading_factors * task.noise.readings), strict=True))),
        tape=planned.TapeRecord(source=tape_source,
                                names=[*task.taped.names, *task.taped.machine_names]),
        curve=None if grown is None else planned.CurveRecord.like(
            grown, edge_only=None if edge_only is None else planned.Growth.like(edge_only)),
    ))


def _told(document: planned.PlanRecord) -> planned.PlanRecord:
    """The document with its fingerprint and its sentences."""
    digits = hashlib.sha256(document.model_dump_json().encode()).hexdigest()[:12]
    return document.model_copy(update={
        "fingerprint": digits, "says": promises(document), "assumptions": assumptions(document),
        "reach": pole_reach(document.poses, document.site.foot_height, "plan")})


def _predicted(plan):
    worst = float(plan.edge_sd.max())
    return planned.Predicted.like(
        plan, within95=TIMES_SD * worst, worst=worst, median=np.median(plan.edge_sd),
        rms=np.sqrt(np.mean(plan.edge_sd**2)), loose=plan.loose_sd)


def _minutes(plan):
    """What the plan takes, by what is done, and what each of it was reckoned with."""
    task = plan.prepared.task
    effort, targets = task.rig.effort, [task.rig.targets[t] for t in task.targets]
    return planned.Minutes(
        total=plan.minutes.total,
        **vars(plan.minutes),
        per_pose=effort.settle,
        per_stand=effort.stand,
        per_shot={target.name: effort.of_shot(target) for target in targets},
        pointed_at=[target.name for target in targets if target.pointed_at],
    )


def pose_ids(count: int) -> list[str]:
    """Ids of poses in driving order."""
    width = max(2, len(str(count)))
    return [f"{i:0{width}d}" for i in range(1, count + 1)]


def stand_name(number: int) -> str:
    """The name of a planned stand, counted from 0."""
    return f"S{number + 1}"


def plan_table(document: planned.PlanRecord) -> list[dict[str, object]]:
    """Rows of plan.csv: one per pose, deg (strokes m), with the columns of readings.csv first.

    What nobody drives is left empty: it is read in the cab. `lowest_` and `highest_` bound what is
    still fine; `edge_height_` is that of the edge's corners above the ground, m.
    """
    rows = []
    for pose in document.poses:
        driven = {name: span for name, span in pose.tolerance.items() if span is not None}
        row: dict[str, object] = {
            "pose": pose.pose, "stand": pose.stand, **pose.noted, "shoot": " ".join(pose.shoot)}
        row |= {name: value if name in driven else None for name, value in pose.readings.items()}
        for name, (below, above) in driven.items():
            decimals = DECIMALS[document.driven[name]]
            row[f"lowest_{name}"] = round(pose.readings[name] - below, decimals)
            row[f"highest_{name}"] = round(pose.readings[name] + above, decimals)
        row["edge_height_lowest"], row["edge_height_highest"] = pose.edge_height
        rows.append(row)
    return rows


def shots_to_take(document: planned.PlanRecord) -> list[tuple[str, str, str]]:
    """Shot id, pose and target of every shot, in driving order."""
    return [(f"{pose.pose}-{target}", pose.pose, target)
            for pose in document.poses for target in pose.shoot]


def pose_columns(task: Task, readings: np.ndarray, shots: np.ndarray, noted: np.ndarray
                 ) -> dict[str, list]:
    """What every kind of pose in a document has, besides its name: columns of `PoseRecord`.

    Parameters
    ----------
    readings : ndarray, shape (n, n_readings), rad or m
    shots : ndarray of bool, shape (n, t)
        Which of the task's targets are shot.
    noted : ndarray, shape (n, n_pose_columns)
        What is to be noted of each pose.
    """
    rig, names = task.rig, [task.rig.target_names[t] for t in task.targets]
    words = {c.name: c.in_words(noted[:, rig.pose_columns.index(c)]) for c in rig.needed_columns}
    drawings = list(_drawings(rig, task.parameters, readings, task.targets))
    shoot = [list(compress(names, row)) for row in shots]
    for drawing, of in zip(drawings, shoot, strict=True):
        drawing["shots"] = {name: drawing["shots"][name] for name in of}
    up = [[corner[2] + task.site.foot_height for corner in d["edge"]] for d in drawings]
    return {"readings": [dict(zip(rig.reading_names, numbers(row), strict=True))
                         for row in shown_readings(rig, readings)],
            "noted": [{name: column[i] for name, column in words.items()}
                      for i in range(len(readings))],
            "edge_height": [[round(float(end), 2) for end in (min(of), max(of))] for of in up],
            "shoot": shoot, "drawing": [planned.Drawing(**drawing) for drawing in drawings]}


def shown_readings(rig: Rig, readings: np.ndarray) -> np.ndarray:
    """Readings as a display gives them: deg, one decimal, -180 to 180; strokes in m to 1 cm."""
    angles = np.degrees(wrapped(readings)).round(1) + 0.0
    return np.where([r.unit == "deg" for r in rig.readings], angles, readings.round(2))


def _poses(plan, ids):
    task = plan.prepared.task
    seconds = travel_seconds(task.rig, plan.joints)
    tolerances = (task.rig.reading_factors[:, None] * plan.tolerance).round(2)
    tolerances = np.where([[r.unit == "deg"] for r in task.rig.readings], tolerances.round(1),
                          tolerances)
    stays = np.append(False, np.diff(plan.stand) == 0)
    return planned.PlannedPose.each(
        pose=ids, stand=map(stand_name, plan.stand),
        **pose_columns(task, plan.readings, plan.shots, plan.noted),
        drive_seconds=np.where(stays, np.append(np.nan, np.diag(seconds, 1)), np.nan),
        tolerance=[{name: numbers(span) if np.isfinite(span).all() else None
                    for name, span in zip(task.rig.reading_names, tolerance, strict=True)}
                   for tolerance in tolerances])


def _robust(plan, ids):
    robust = plan.robustness
    return planned.Robust.like(robust, pose=ids[robust.pose],
                               undetermined=[ids[i] for i in robust.undetermined])


def _drawings(rig, parameters, readings, targets):
    """Per pose the pins, the attachment's own frames, the edge and what is shot.

    Levelled house frame: forward, left, up of the boom foot pin, m. `attachment` is the number of
    the point of `machine` where the last long link ends.
    """
    n = len(readings)
    posture = ahead(rig, parameters, joints_at(rig, parameters, readings))
    ends = sorted({edge_points(rig)[0], edge_points(rig)[-1]})
    points = placed(posture, np.array([*ends, *targets]))
    arm = np.stack(arm_pins(posture), axis=1)
    beyond = np.stack(list(posture.positions.values()), axis=1) - house_origin(posture)[:, None]
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
