"""What the page changes in a run: each change checked, written at once, or refused in words."""

from collections.abc import Callable
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from calib.report.words.yard import aside_says, off_plan
from calib.run.complaints import Complaint, InputError, quote
from calib.run.folder import READINGS, SHOTS
from calib.run.numerals import NotANumber, parse_number
from calib.run.rig_file import AXES
from calib.yard.field_files import kept_declaration
from calib.yard.logged import last_readings
from calib.yard.session import Session, now_text


class _Asked(BaseModel):
    """What a page sends."""

    model_config = ConfigDict(extra="forbid", str_max_length=200)


class ReadingsNoted(_Asked):
    """What the display showed in a pose; `was` is the row as the page knows it, if any."""

    pose: str = Field(min_length=1)
    stand: str = Field(min_length=1)
    readings: dict[str, str]
    was: dict[str, str] | None = None


class ShotNoted(_Asked):
    """A shot, its coordinates typed by hand."""

    shot: str = ""
    pose: str
    target: str
    east: str
    north: str
    up: str


class ShotChanged(_Asked):
    """A shot that was of another pose or target, or is to be taken out (both empty)."""

    shot: str
    pose: str = ""
    target: str = ""
    was: dict[str, str]


class Names(_Asked):
    """What to set aside, all of it."""

    names: list[str] = Field(max_length=1000)


class PointSettled(_Asked):
    """What a point of the collector's file is; no pose: nothing of the run."""

    name: str
    pose: str = ""
    target: str = ""


class Row(_Asked):
    """A row that the page wants to change."""

    file: str
    name: str


def note_readings(session: Session, body: bytes) -> dict[str, Any]:
    """Write the readings of a pose; what is far from the plan is said."""
    asked = ReadingsNoted.model_validate_json(body)
    rig = session.notebook.rig()
    unknown = [name for name in asked.readings if name not in rig.reading_names]
    if unknown:
        raise InputError([Complaint(READINGS, None, name, "a reading of that name",
                                    "one of " + ", ".join(rig.reading_names))
                          for name in unknown])
    numbers = _numbers(READINGS, {name: asked.readings.get(name, "")
                                  for name in rig.reading_names})
    session.notebook.put_readings(asked.pose.strip(), asked.stand.strip(),
                                  {name: cell for name, (cell, _) in numbers.items()}, asked.was)
    _started(session)
    planned = next((p for p in session.state().planned if p.pose == asked.pose), None)
    says = [] if planned is None else [
        off_plan(name, value, planned.readings[name], *span)
        for name, (_, value) in numbers.items() if (span := planned.tolerance.get(name))]
    return {"says": [one for one in says if one]}


def from_log(session: Session, body: bytes) -> dict[str, Any]:
    """What the log ends with, for the person to look at and note."""
    if session.log is None:
        raise InputError([Complaint("--log", None, None, "no log", "the page started with one")])
    declared = kept_declaration(session.notebook.folder).log
    return {"readings": last_readings(session.log, session.notebook.rig(), declared)}


def note_shot(session: Session, body: bytes) -> dict[str, Any]:
    """Write a shot that was typed."""
    asked = ShotNoted.model_validate_json(body)
    numbers = _numbers(SHOTS, {axis: getattr(asked, axis) for axis in AXES})
    name = asked.shot.strip() or _free_name(session, asked.pose, asked.target)
    session.notebook.add_shots([{
        "shot": name, "pose": asked.pose, "target": asked.target,
        **{axis: cell for axis, (cell, _) in numbers.items()}}])
    _started(session)
    return {"shot": name}


def settle(session: Session, body: bytes) -> dict[str, Any]:
    """Say what a point is that waits."""
    asked = PointSettled.model_validate_json(body)
    if session.collector is not None and not asked.pose:
        session.collector.ignore(asked.name)
    elif session.collector is not None:
        session.collector.settle(asked.name, asked.pose, asked.target)
    session.refresh()
    return {}


def change_shot(session: Session, body: bytes) -> dict[str, Any]:
    """Give a shot another pose or target, or take it out."""
    asked = ShotChanged.model_validate_json(body)
    cells = {name: value for name, value in (("pose", asked.pose), ("target", asked.target))
             if value}
    session.notebook.put_shot(asked.shot, cells or None, asked.was)
    return {}


def row(session: Session, body: bytes) -> dict[str, Any]:
    """A row as it is written now, before it is changed."""
    asked = Row.model_validate_json(body)
    if asked.file not in (READINGS, SHOTS):
        raise InputError([Complaint(asked.file, None, None, "that file", "readings or shots")])
    return {"row": session.notebook.row(asked.file, asked.name)}


def skip(session: Session, body: bytes) -> dict[str, Any]:
    """Leave out poses of the plan, or what is left to shoot in them; the whole list anew."""
    session.notebook.note(skipped=tuple(Names.model_validate_json(body).names))
    return {}


def keep(session: Session, body: bytes) -> dict[str, Any]:
    """Shots that do not fit and stay: the whole list anew."""
    session.notebook.note(accepted=tuple(Names.model_validate_json(body).names))
    return {}


def weigh(session: Session, body: bytes) -> dict[str, Any]:
    """What setting aside would do to the edge, before anybody decides."""
    names = Names.model_validate_json(body).names
    now = session.state().progress
    then, moved = session.weigh(names)
    return {"says": aside_says(None if now is None else now.edge95, then.edge95, moved,
                               then.misfits),
            "unknown": list(then.unknown)}


def set_aside(session: Session, body: bytes) -> dict[str, Any]:
    """Set values aside, or take them back: the whole list anew."""
    session.notebook.note(set_aside=tuple(dict.fromkeys(Names.model_validate_json(body).names)))
    return {}


#: Path to what it does: with the session and the body of the request.
ACTIONS: dict[str, Callable[[Session, bytes], Any]] = {
    "/readings": note_readings,
    "/logged": from_log,
    "/shots": note_shot,
    "/shot": change_shot,
    "/settle": settle,
    "/row": row,
    "/skip": skip,
    "/keep": keep,
    "/weigh": weigh,
    "/aside": set_aside,
}


def _numbers(file, cells):
    """Text with a decimal point, and its value, of cells as a person types them."""
    found, complaints = {}, []
    for name, cell in cells.items():
        typed = cell.strip()
        decimal = "," if "," in typed and "." not in typed else "."
        try:
            found[name] = (typed.replace(",", ".") if decimal == "," else typed,
                           parse_number(typed, decimal))
        except NotANumber as error:
            complaints.append(Complaint(file, None, name, quote(cell), error.expected))
    if complaints:
        raise InputError(complaints)
    return found


def _free_name(session, pose, target):
    """Pose and target, with a number where that is taken."""
    progress = session.state().progress
    taken = set() if progress is None else {f.shot for f in progress.fits}
    name, number = f"{pose}-{target}", 1
    while name in taken:
        number += 1
        name = f"{pose}-{target}-{number}"
    return name


def _started(session):
    if session.notebook.notes().started is None:
        session.notebook.note(started=now_text())
