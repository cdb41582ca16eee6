"""A state as the page takes it: JSON, sentences made, drawings as points."""

from collections import Counter
from typing import Any

import numpy as np

from calib.report.figures.poses import Frame, Sketch, from_behind, from_the_side
from calib.report.plan_words import shots_in_words
from calib.report.words import yard as say
from calib.report.words.suspect import suspect_says
from calib.run.complaints import InputError
from calib.run.rig_file import AXES
from calib.yard.agenda import Proposed
from calib.yard.field_files import kept_declaration
from calib.yard.progress import Fit, Progress
from calib.yard.session import Session, State, minutes_since


def view_of(state: State) -> dict[str, Any]:
    """All that the page shows of a run."""
    progress, agenda = state.progress, state.agenda
    now = None if progress is None else progress.edge95
    required = None if progress is None else progress.required
    following = agenda.to_come[0] if agenda.to_come else None
    doubts = {} if progress is None else _doubts(progress, state)
    return {
        "version": state.version,
        "trouble": [*state.trouble, *state.collector_trouble],
        "waiting": [{"name": one.name, "where": ", ".join(one.cells[axis] for axis in AXES)}
                    for one in state.waiting],
        "to_do": say.to_do(agenda.at, agenda.left, _again(state),
                           None if following is None else following.pose, state.enough,
                           [name for name, *_ in doubts.get(agenda.at or "", ())],
                           [] if progress is None else [
                               lies for lies in progress.lies.values() if lies.pose == agenda.at],
                           len(state.undecided)),
        "doubts": [{"pose": pose, "says": say.doubt_says(pose, readings)}
                   for pose, readings in doubts.items()],
        "edge": {
            "now": _mm(now), "required": _mm(required), "later": _mm(state.later),
            "met": state.enough and not state.undecided,
            "says": None if required is None else say.edge_says(
                now, required, state.later, state.ahead, state.undecided),
        },
        "minutes": say.minutes_say(minutes_since(state.notes.started), agenda.minutes),
        "at": agenda.at,
        "left": list(agenda.left),
        "behind": [{"pose": pose, "says": say.behind_says(pose, lacked)}
                   for pose, lacked in agenda.behind],
        "next": None if following is None else _pose(state, following),
        "to_come": [one.pose for one in agenda.to_come],
        "unsolved": None if progress is None else progress.unsolved,
        "poses": _poses(state),
        "targets": list(state.rig.target_names),
        "readings": [
            {"name": r.name, "means": r.means, "unit": r.unit, "optional": r.optional}
            for r in state.rig.readings],
        "columns": [
            {"name": c.name, "means": c.means, "words": list(c.words),
             "needed": c in state.rig.needed_columns} for c in state.rig.pose_columns],
        "shots": [] if progress is None else _shots(progress, state, doubts),
        "suspects": [] if progress is None else _suspects(progress),
        "set_aside": list(state.notes.set_aside),
        "skipped": list(state.notes.skipped),
        "taken_out": [{"shot": row["shot"],
                       "what": say.taken_out(row.get("pose", ""), row.get("target", ""))}
                      for row in state.notes.taken_out],
    }


def sensors_view(session: Session) -> dict[str, Any] | None:
    """What the sensors' log ends with; None without one."""
    sensors, rig = session.sensors, session.state().rig
    if sensors is None:
        return None
    try:
        declared = kept_declaration(session.notebook.folder).log
    except InputError as error:
        return {"readings": {}, "moving": [], "still": False,
                "says": " ".join(map(str, error.complaints))}
    seen, age = sensors.look(rig, declared), sensors.age()
    still = not seen.moving and not seen.trouble and age is not None and age <= say.STALE
    return {"readings": seen.readings, "moving": list(seen.moving), "still": still,
            "says": " ".join(seen.trouble) or say.log_says(seen.moving, age)}


def _doubts(progress, state):
    """Per pose the doubted readings: name, what was noted, off by, deg or m.

    Not of a pose with shots that somebody keeps all the same.
    """
    kept = {f.pose for f in progress.fits if f.fits is False and f.shot in state.notes.accepted}
    rows = {row["pose"]: row for row in state.poses}
    units = {r.name: r.unit for r in progress.run.rig.readings}
    return {doubt.pose: [
        (name, f"{rows[doubt.pose].get(name, '')} {units[name]}",
         off if units[name] == "m" else float(np.degrees(off))) for name, off in doubt.readings]
        for doubt in progress.doubts if doubt.pose in rows and doubt.pose not in kept}


def _again(state):
    """Targets left to shoot in the pose at hand that have a shot that does not fit."""
    shot = {(f.pose, f.target) for f in (state.progress.fits if state.progress else ())}
    return [target for target in state.agenda.left if (state.agenda.at, target) in shot]


def _poses(state: State) -> list[dict[str, Any]]:
    """Every pose with readings: what was read in it, and what is not shot in it."""
    lacks = dict([*state.agenda.behind, (state.agenda.at, state.agenda.left)])
    columns = [c.name for c in state.rig.pose_columns]
    return [{"pose": row["pose"], "stand": row["stand"],
             "readings": {name: row.get(name, "") for name in state.rig.reading_names},
             "noted": {name: row[name] for name in columns if row.get(name)},
             "lacks": list(lacks.get(row["pose"], ()))} for row in state.poses]


def _mm(metres):
    return None if metres is None or not np.isfinite(metres) else round(1000 * metres, 2)


def _pose(state: State, one: Proposed) -> dict[str, Any]:
    """A pose to drive to, drawn, with what the display should show."""
    drawings = [p.drawing for p in state.planned]
    sides, behinds = from_the_side(drawings), from_behind(drawings)
    place = state.planned.index(one)
    units = {r.name: r.unit for r in state.rig.readings}
    return {
        "pose": one.pose, "stand": one.stand, "shoot": shots_in_words(list(one.shoot)),
        "height": say.edge_height(*one.edge_height), "noted": one.noted,
        "come_to": say.come_to(one.noted),
        "readings": {name: _wanted(value, one.tolerance.get(name), units[name])
                     for name, value in one.readings.items() if name in one.driven},
        "side": _drawn(sides[place], Frame.of(sides)),
        "behind": _drawn(behinds[place], Frame.of(behinds)),
    }


def _wanted(value, span, unit):
    """What a reading should be, and from where to where it is fine as it is."""
    step = 0.01 if unit == "m" else 1.0
    digits = 2 if unit == "m" else 0
    wanted = {"wanted": round(value, digits + 1), "least": None, "most": None, "range": None}
    if span is None:
        return wanted
    # Rounded inwards, as on the pose sheet: never looser than what was computed.
    low = step * np.ceil((value - span[0]) / step - 1e-6)
    high = step * np.floor((value + span[1]) / step + 1e-6)
    return wanted | {"least": float(low), "most": float(high),
                     "range": f"{low:.{digits}f} to {high:.{digits}f}"}


def _drawn(sketch: Sketch, frame: Frame) -> dict[str, Any]:
    """Points of an SVG, which has y downwards."""
    def points(array):
        return " ".join(f"{x:.3f},{-y:.3f}" for x, y in np.asarray(array))

    return {"box": f"{frame.left:.3f} {-frame.bottom - frame.height:.3f} "
                   f"{frame.width:.3f} {frame.height:.3f}",
            "arm": points(sketch.arm), "body": points(sketch.body), "edge": points(sketch.edge)}


def state_of(fit: Fit, accepted: bool) -> str:
    """The word for where a shot stands."""
    if fit.aside:
        return say.ASIDE
    if fit.fits is None:
        return say.EARLY
    if fit.fits:
        return say.FITS
    return say.KEPT if accepted else say.MISFIT


def _shots(progress: Progress, state: State, doubts: dict[str, Any]) -> list[dict[str, Any]]:
    """Every shot, the newest first."""
    off = Counter((f.pose, f.target) for f in progress.fits if f.fits is False and not f.aside)
    good = {(f.pose, f.target): f.shot for f in progress.fits if f.fits is not False
            and not f.aside}
    rows = []
    for fit in progress.fits:
        word = state_of(fit, fit.shot in state.notes.accepted)
        place = fit.pose, fit.target
        rows.append({
            "shot": fit.shot, "pose": fit.pose, "target": fit.target, "state": word,
            "sign": say.SIGNS[word], "miss": _mm(fit.length),
            "says": say.shot_says(word, fit.length, fit.usual, twin=fit.twin,
                                  fitting=good.get(place), again=off[place] > 1,
                                  look_at=[name for name, *_ in doubts.get(fit.pose, ())],
                                  lies=progress.lies.get(fit.shot),
                                  here=fit.pose == state.agenda.at),
        })
    return rows[::-1]


def _suspects(progress: Progress) -> list[dict[str, str]]:
    return [{"name": s.name, "kind": s.kind, "says": suspect_says(s, progress.solution)}
            for s in progress.suspects if progress.solution is not None]
