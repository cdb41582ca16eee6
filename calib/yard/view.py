"""A state as the page takes it: JSON, sentences made, drawings as points."""

from collections import Counter
from typing import Any

import numpy as np

from calib.report.figures.poses import Frame, Sketch, from_behind, from_the_side
from calib.report.words import yard as say
from calib.report.words.cautions import CAUTIONS
from calib.report.words.suspect import suspect_says
from calib.run.rig_file import AXES
from calib.yard.agenda import Proposed
from calib.yard.progress import Fit, Progress
from calib.yard.session import State, minutes_since


def view_of(state: State) -> dict[str, Any]:
    """All that the page shows of a run."""
    progress, agenda = state.progress, state.agenda
    now = None if progress is None else progress.edge95
    required = None if progress is None else progress.required
    following = agenda.to_come[0] if agenda.to_come else None
    enough = now is not None and required is not None and now <= required
    at_hand = _planned(state, agenda.at) if agenda.left else None
    return {
        "version": state.version,
        "title": None if state.rig is None else state.rig.title,
        "trouble": [*state.trouble, *state.collector_trouble],
        "waiting": [{"name": one.name, "where": ", ".join(one.cells[axis] for axis in AXES)}
                    for one in state.waiting],
        "to_do": say.to_do(agenda.at, agenda.left,
                           None if following is None else following.pose, enough),
        "enough": enough,
        "edge": {
            "now": _mm(now), "required": _mm(required), "later": _mm(state.later),
            "says": None if required is None else say.edge_says(now, required, state.later,
                                                                state.ahead),
        },
        "minutes": say.minutes_say(minutes_since(state.notes.started), agenda.minutes),
        "at": agenda.at,
        "left": list(agenda.left),
        "pose": _pose(state, at_hand or following),
        "to_come": [one.pose for one in agenda.to_come],
        "unsolved": None if progress is None else progress.unsolved,
        "counts": {"shots": 0 if progress is None else len(progress.fits),
                   "poses": len(state.poses), "to_come": len(agenda.to_come)},
        "poses": [{"pose": pose, "stand": stand} for pose, stand in state.poses],
        "targets": [] if state.rig is None else list(state.rig.target_names),
        "readings": [] if state.rig is None else [
            {"name": r.name, "unit": r.unit, "means": r.means} for r in state.rig.readings],
        "shots": [] if progress is None else _shots(progress, state),
        "suspects": [] if progress is None else _suspects(progress),
        "set_aside": list(state.notes.set_aside),
        "skipped": list(state.notes.skipped),
        "cautions": list(CAUTIONS),
    }


def _mm(metres):
    return None if metres is None or not np.isfinite(metres) else round(1000 * metres, 2)


def _planned(state, pose):
    return next((one for one in state.planned if one.pose == pose), None)


def _pose(state: State, one: Proposed | None) -> dict[str, Any] | None:
    """The pose at hand, drawn, with what the display should show."""
    if one is None:
        return None
    drawings = [p.drawing for p in state.planned]
    sides, behinds = from_the_side(drawings), from_behind(drawings)
    place = state.planned.index(one)
    low, high = one.edge_height
    strokes = () if state.rig is None else state.rig.strokes
    return {
        "pose": one.pose, "stand": one.stand, "shoot": list(one.shoot),
        "height": f"edge {low:.1f} to {high:.1f} m above the ground",
        "readings": [_wanted(name, value, one.tolerance[name], name in one.driven, name in strokes)
                     for name, value in one.readings.items()],
        "side": _drawn(sides[place], Frame.of(sides)),
        "behind": _drawn(behinds[place], Frame.of(behinds)),
    }


def _wanted(name, value, span, driven, stroke):
    if not driven:
        return {"name": name, "wanted": None, "range": None}
    if span is None:
        return {"name": name, "wanted": round(value, 2 if stroke else 1), "range": None}
    if stroke:
        return {"name": name, "wanted": round(value, 2),
                "range": f"{value - span[0]:.2f} to {value + span[1]:.2f}"}
    return {"name": name, "wanted": round(value, 1),
            # Rounded inwards, as on the pose sheet: never looser than what was computed.
            "range": f"{np.ceil(value - span[0] - 1e-6):.0f} to "
                     f"{np.floor(value + span[1] + 1e-6):.0f}"}


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


def _shots(progress: Progress, state: State) -> list[dict[str, Any]]:
    """Every shot, the newest first."""
    off = Counter((f.pose, f.target) for f in progress.fits if f.fits is False and not f.aside)
    rows = []
    for number, fit in enumerate(progress.fits):
        word = state_of(fit, fit.shot in state.notes.accepted)
        known = fit.miss is not None
        parts = None if fit.miss is None else (1000 * fit.miss).round(1).tolist()
        rows.append({
            "shot": fit.shot, "pose": fit.pose, "target": fit.target, "state": word,
            "sign": say.SIGNS[word], "miss": _mm(fit.length) if known else None,
            "usual": _mm(fit.usual) if known else None, "number": number,
            "parts": parts,
            "says": say.shot_says(word if known else say.EARLY, fit.length, fit.usual,
                                  off[fit.pose, fit.target] > 1),
        })
    return rows[::-1]


def _suspects(progress: Progress) -> list[dict[str, str]]:
    return [{"name": s.name, "kind": s.kind, "says": suspect_says(s, progress.solution)}
            for s in progress.suspects if progress.solution is not None]
