"""What the page changes in a run: each change checked, written at once, or refused in words."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from calib.report.words.yard import aside_says, off_plan, points_say
from calib.run.complaints import Complaint, InputError, quote
from calib.run.folder import READINGS, SHOTS
from calib.run.numerals import NotANumber, parse_number
from calib.run.rig_file import AXES
from calib.run.text import CONTROL, parse_json
from calib.yard.notebook import free_name
from calib.yard.session import Session, now_text


class Asked(BaseModel):
    """What a page sends."""

    model_config = ConfigDict(extra="forbid", str_max_length=200)

    @classmethod
    def of(cls, body: bytes) -> Self:
        """What the body of a request asks for.

        Raises
        ------
        InputError
            Where it is no JSON, or says one thing twice.
        ValidationError
        """
        try:
            given = parse_json(body)
        except ValueError as error:
            raise InputError.of("what was sent", f"no JSON ({error})", "each field once") from None
        return cls.model_validate(given)

    @model_validator(mode="before")
    @classmethod
    def _seen(cls, given: Any) -> Any:
        """What nobody sees is none of what was typed: blanks are taken off, this is not."""
        if isinstance(given, dict) and any(map(CONTROL.search, _texts(given))):
            raise ValueError("a control character in what was typed")
        return given


def _texts(given):
    """Every text of what a page sends, which is not deep."""
    for value in given.values():
        inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) \
            else (value,)
        yield from (text for text in inner if isinstance(text, str))


class ReadingsNoted(Asked):
    """What the display showed in a pose, and what else is noted of it.

    `was` is the row as the page knows it, if any; nothing but a pose: it is to be taken out.
    """

    pose: str = Field(min_length=1)
    stand: str = ""
    readings: dict[str, str] = Field(default_factory=dict)
    noted: dict[str, str] = Field(default_factory=dict)
    was: dict[str, str] | None = None


class Shot(Asked):
    """Of which pose and target a shot is, and its coordinates as they were typed."""

    shot: str = ""
    pose: str = ""
    target: str = ""
    east: str = ""
    north: str = ""
    up: str = ""


class ShotNoted(Shot):
    """A new shot; `instead` are shots that it replaces."""

    instead: list[str] = Field(default_factory=list, max_length=100)


class ShotChanged(Shot):
    """What a shot was, and what it is; nothing of the latter: it is to be taken out."""

    was: dict[str, str]


class Names(Asked):
    """What to put on a list, or to take off it."""

    names: list[str] = Field(max_length=1000)
    on: bool = True


class PointSettled(Asked):
    """What a point of the collector's file is; no pose: nothing of the run."""

    name: str
    pose: str = ""
    target: str = ""
    instead: list[str] = Field(default_factory=list, max_length=100)


class Row(Asked):
    """A row that the page wants to change."""

    file: str
    name: str


def note_readings(session: Session, body: bytes) -> dict[str, Any]:
    """Write the readings of a pose, or take it out; what is far from the plan is said."""
    asked = ReadingsNoted.of(body)
    pose = asked.pose.strip()
    if not asked.readings:
        session.notebook.put_readings(pose, None, asked.was)
        return {"says": []}
    rig = session.notebook.rig()
    _known_only("reading", asked.readings, rig.reading_names)
    _known_only("column", asked.noted, [c.name for c in rig.pose_columns])
    given = {r.name: asked.readings.get(r.name, "") for r in rig.readings}
    empty = {r.name: "" for r in rig.readings if r.optional and not given[r.name].strip()}
    numbers = _numbers(READINGS, {name: v for name, v in given.items() if name not in empty})
    session.notebook.put_readings(pose, {
        "stand": asked.stand.strip(), **numbers, **empty, **asked.noted}, asked.was)
    _started(session)
    planned = next((p for p in session.state().planned if p.pose == pose), None)
    units = {r.name: r.unit for r in rig.readings}
    says = [] if planned is None else [
        off_plan(name, float(cell), planned.readings[name], *span, units[name])
        for name, cell in numbers.items() if (span := planned.tolerance.get(name))]
    return {"says": [one for one in says if one]}


def _known_only(what, given, known):
    unknown = [name for name in given if name not in known]
    if unknown:
        raise InputError([Complaint(READINGS, None, name, f"a {what} of that name",
                                    "one of " + ", ".join(known)) for name in unknown])


def note_shot(session: Session, body: bytes) -> dict[str, Any]:
    """Write a shot that was typed."""
    asked = ShotNoted.of(body)
    numbers = _numbers(SHOTS, asked.model_dump(include=set(AXES)))
    name = asked.shot.strip() or free_name(f"{asked.pose}-{asked.target}", {
        row["shot"] for row in session.notebook.shots()})
    session.notebook.add_shots([
        {"shot": name, "pose": asked.pose, "target": asked.target, **numbers}], asked.instead)
    _started(session)
    return {"shot": name}


def settle(session: Session, body: bytes) -> None:
    """Say what a point is that waits."""
    asked = PointSettled.of(body)
    session.settle(asked.name, asked.pose, asked.target, tuple(asked.instead))


def take_points(session: Session, body: bytes) -> dict[str, Any]:
    """Take in a collector's file: a line with its name, then its content as it is."""
    name, _, content = body.partition(b"\n")
    path = session.files.keep(name.decode("utf-8", "replace")[:200], content)
    one = session.follow(path)
    if one.trouble:
        session.leave(one)
        raise InputError.of(path.name, "no points taken in", "; ".join(one.trouble))
    return {"says": points_say(path.name, one.added, len(one.waiting))}


def change_shot(session: Session, body: bytes) -> None:
    """Correct a shot, or take it out."""
    asked = ShotChanged.of(body)
    given = {name: cell for name, cell in asked.model_dump(exclude={"shot", "was"}).items() if cell}
    numbers = _numbers(SHOTS, {name: given[name] for name in AXES if name in given})
    session.notebook.put_shot(asked.shot, {**given, **numbers} or None, asked.was)


def bring_back(session: Session, body: bytes) -> None:
    """Bring back shots that were taken out."""
    for name in Names.of(body).names:
        session.notebook.bring_back(name)
    session.refresh()


def row(session: Session, body: bytes) -> dict[str, Any]:
    """A row as it is written now, before it is changed."""
    asked = Row.of(body)
    if asked.file not in (READINGS, SHOTS):
        raise InputError.of(asked.file, "that file", "readings or shots")
    return {"row": session.notebook.row(asked.file, asked.name)}


def weigh(session: Session, body: bytes) -> dict[str, Any]:
    """What setting aside, or taking back, would do to the edge, before anybody decides."""
    asked, now = Names.of(body), session.state()
    rest = [name for name in now.notes.set_aside if name not in asked.names]
    then, moved = session.weigh([*rest, *asked.names] if asked.on else rest)
    edge = None if now.progress is None else now.progress.edge95
    return {"says": aside_says(edge, then.edge95, moved, then.misfits),
            "unknown": list(then.unknown)}


def mark(which: str, session: Session, body: bytes) -> None:
    """Put names on a list of the notes, or take them off; what others put there stays."""
    asked = Names.of(body)
    session.notebook.mark(which, asked.names, asked.on)


#: Path to what it does: with the session and the body of the request.
ACTIONS: dict[str, Callable[[Session, bytes], dict[str, Any] | None]] = {
    "/readings": note_readings,
    "/shots": note_shot,
    "/shot": change_shot,
    "/back": bring_back,
    "/settle": settle,
    "/points": take_points,
    "/row": row,
    "/weigh": weigh,
    "/skip": partial(mark, "skipped"),  # poses of the plan: not to be shot, or not further
    "/keep": partial(mark, "accepted"),  # shots that do not fit, and stay
    "/aside": partial(mark, "set_aside"),
}


def _numbers(file, cells):
    """Numbers as a person types them, with a decimal point."""
    found, complaints = {}, []
    for name, cell in cells.items():
        decimal = "," if "," in cell and "." not in cell else "."
        try:
            parse_number(cell.strip(), decimal)
            found[name] = cell.strip().replace(decimal, ".")
        except NotANumber as error:
            complaints.append(Complaint(file, None, name, quote(cell), error.expected))
    if complaints:
        raise InputError(complaints)
    return found


def _started(session):
    if session.notebook.notes().started is None:
        session.notebook.note(lambda notes: replace(notes, started=notes.started or now_text()))
