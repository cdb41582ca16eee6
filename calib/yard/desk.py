"""At the desk: the run solved and judged, its report and sheets to look at and to print."""

import tempfile
from collections.abc import Callable
from contextlib import suppress
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

from pydantic import ConfigDict

from calib.edge import envelope_edge
from calib.report.entered import determined_at
from calib.report.words import yard as say
from calib.report.words.entries import determined_says
from calib.report.words.requirement import three_sentences
from calib.results import load_result
from calib.run.complaints import Findings, InputError
from calib.run.entries_file import read_entries
from calib.run.folder import ENTRIES
from calib.run.text import decode
from calib.run.write import free_path, manifest_of, write_whole
from calib.yard.changes import Asked
from calib.yard.field_files import proposal_view
from calib.yard.session import Session

#: What of a result is worth opening, in this order, and how it is called; the rest is for programs.
_TO_OPEN = {
    "report.html": "The report: residual plots, taped against solved, every number",
    "report.pdf": "The report, to print",
    "sheet.html": "The job sheet: what to enter, to sign",
    "sheet.pdf": "The job sheet, to print",
}

#: Drawn of a result, and what they show.
_PLOTS = {
    "residuals-by-shot.png": "Residuals, shot by shot",
    "standardised-residuals.png": "Residuals over their sds, against what chance gives",
    "solved-against-tape.png": "Solved against taped",
}


def desk_view(session: Session) -> dict[str, Any]:
    """What there is to look at: the result with its three sentences, its files, the entries."""
    folder = result_folder(session)
    names = set(manifest_of(folder) or {})
    view = {
        "solved": "result.json" in names, "says": [], "stale": False,
        "files": [{"name": n, "says": says} for n, says in _TO_OPEN.items() if n in names],
        "plots": [{"name": n, "says": says} for n, says in _PLOTS.items() if n in names],
        "entries": (session.notebook.folder / ENTRIES).is_file(),
    }
    if view["solved"]:
        try:
            document = load_result(folder).document
        except InputError as error:
            return view | {"solved": False, "says": [
                {"answer": "", "says": str(c)} for c in error.complaints]}
        view["says"] = [{"answer": a.answer, "says": str(a)} for a in three_sentences(document)]
        view["stale"] = _changed_since(session, document)
    return view


def _changed_since(session, document):
    """Whether the run, or what is set aside, is not what was solved."""
    folder, asked = session.notebook.folder, to_set_aside(session)
    return (document.set_aside.choice != asked or (folder / ENTRIES).is_file() != (
        ENTRIES in document.run.files) or any(
            not (folder / name).is_file()
            or sha256((folder / name).read_bytes()).hexdigest() != digest
            for name, digest in document.run.files.items() if Path(name).name == name))


def to_set_aside(session):
    """As ``calib solve --set-aside`` takes it."""
    progress, names = session.state().progress, session.notebook.notes().set_aside
    unknown = () if progress is None else progress.unknown
    return ",".join(name for name in names if name not in unknown) or "none"


def result_folder(session: Session) -> Path:
    """Where the result of the run is."""
    return session.notebook.folder / "result"


def result_file(session: Session, name: str) -> bytes | None:
    """A file of the result that its manifest names; None for any other name."""
    folder = result_folder(session)
    with suppress(OSError):
        if name in (manifest_of(folder) or {}):
            return (folder / name).read_bytes()
    return None


def solve_run(session: Session, body: bytes) -> dict[str, Any]:
    """Solve the run without what is set aside, draw its report and sheet: as the commands do."""
    from calib.operations.result_files import draw, write_numbers
    from calib.operations.solved import solved
    from calib.report.pages.sheet import sheet_files

    out = result_folder(session)
    document, place = solved(session.notebook.folder, out, to_set_aside(session))
    write_numbers(document, place)
    draw(document, place)
    write_whole(out, sheet_files(document))
    return desk_view(session)


class Answer(Asked):
    """An answer to a question about field files."""

    model_config = ConfigDict(str_max_length=400)

    about: str
    number: int | None = None
    typed: str = ""


class Units(Asked):
    """The units of a sheet: keys of `calib.report.pages.sheet_units.LENGTHS` and `ANGLES`."""

    lengths: Literal["mm", "m", "ft", "ft-in"] = "mm"
    angles: Literal["deg", "dms", "gon"] = "deg"


class Write(Asked):
    """Write what was proposed."""

    replace: bool = False


def take_file(session: Session, body: bytes) -> dict[str, Any]:
    """Take in a file: a line with its name, then its content as it is."""
    name, _, content = body.partition(b"\n")
    return {"names": session.files.take(name.decode("utf-8", "replace")[:200], content)}


def propose(session: Session, body: bytes) -> dict[str, Any]:
    """What the files seem to be."""
    return proposal_view(session.files.proposal())


def answer(session: Session, body: bytes) -> dict[str, Any]:
    """Take an answer, and propose again."""
    asked = Answer.of(body)
    session.files.answer(asked.about, asked.number, asked.typed)
    return proposal_view(session.files.proposal())


def write_import(session: Session, body: bytes) -> dict[str, Any]:
    """Write the run folder's files from the field files."""
    return {"says": session.files.write(Write.of(body).replace)}


def make_sheet(session: Session, body: bytes) -> dict[str, Any]:
    """What to enter, as a sheet in other units: as the command makes it."""
    from calib.report.pages.sheet import sheet_files

    asked = Units.of(body)
    read = load_result(result_folder(session))
    write_whole(result_folder(session), sheet_files(read.document, asked.lengths, asked.angles))
    return desk_view(session)


def blank_shown(session: Session) -> str:
    """A file for what the machine's display shows, to fill in.

    Raises
    ------
    InputError
        If the run is not solved.
    """
    from calib.operations.proved import provable
    from calib.report.pages.confirmed import blank_shown as to_fill_in

    read = load_result(result_folder(session))
    return to_fill_in(read.rig, provable(read, read.document))


def take_entries(session: Session, body: bytes) -> dict[str, Any]:
    """Take a list of what the machine's system asks for into the run (a file as it is)."""
    findings, rig = Findings(), session.notebook.rig()
    text = findings.sound(decode(body, ENTRIES, findings))
    listed = findings.sound(read_entries(text, ENTRIES, rig, findings))
    folder, kept = session.notebook.folder, {}
    if (folder / ENTRIES).is_file() and (before := (folder / ENTRIES).read_bytes()) != body:
        kept[free_path(folder / f"earlier-{ENTRIES}").name] = before
    write_whole(folder, {ENTRIES: body, **kept})
    found = determined_at(rig, listed, rig.start, envelope_edge(rig, rig.start))
    says = [*determined_says(found, rig), *(say.KEPT_AS.format(ENTRIES, name) for name in kept)]
    return {"determines": says} | desk_view(session)


def confirm_shown(session: Session, body: bytes) -> dict[str, Any]:
    """What the machine's own display shows (a file as it is), against what was to be typed."""
    from calib.operations.proved import confirmed
    from calib.report.press.terminal import plain

    read = load_result(result_folder(session))
    with tempfile.TemporaryDirectory(prefix="calib-yard-") as place:
        path = Path(place) / "shown.csv"
        path.write_bytes(body)
        told, sections, notices = confirmed(read, read.document, path)
    return {"agrees": told.agrees, "says": "\n".join([*notices, plain(sections)])}


#: Files to fill in, by name.
BLANKS: dict[str, Callable[[Session], str]] = {
    "shown.csv": blank_shown,
    # An invented list of what a machine's system asks for, to change.
    "entries.toml": lambda _: (files("calib.entries") / "example.toml").read_text("utf-8"),
}

#: Path to what it does.
ACTIONS: dict[str, Callable[[Session, bytes], dict[str, Any] | None]] = {
    "/solve": solve_run,
    "/sheet": make_sheet,
    "/confirm": confirm_shown,
    "/entries": take_entries,
    "/file": take_file,
    "/forget": lambda session, _: session.files.forget(),
    "/propose": propose,
    "/answer": answer,
    "/import": write_import,
}
