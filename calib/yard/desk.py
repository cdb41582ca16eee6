"""At the desk: the run solved and judged, its report and sheets to look at and to print."""

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict

from calib.report.words.yard import solved_says
from calib.results import load_result
from calib.run.write import manifest_of, write_whole
from calib.yard.field_files import proposal_view
from calib.yard.session import Session


def desk_view(session: Session) -> dict[str, Any]:
    """What there is to look at."""
    folder = result_folder(session)
    names = sorted(manifest_of(folder) or {})
    return {"files": names, "solved": "result.json" in names,
            "set_aside": list(session.notebook.notes().set_aside)}


def result_folder(session: Session):
    """Where the result of the run is."""
    return session.notebook.folder / "result"


def result_file(session: Session, name: str) -> bytes | None:
    """A file of the result that its manifest names; None for any other name."""
    folder = result_folder(session)
    if name not in (manifest_of(folder) or {}):
        return None
    try:
        return (folder / name).read_bytes()
    except OSError:
        return None


def solve_run(session: Session, body: bytes) -> dict[str, Any]:
    """Solve the run without what is set aside, and draw its report: as the command does."""
    from calib.cli.solve import draw, solved, write_numbers

    names = session.notebook.notes().set_aside
    out = result_folder(session)
    document, place = solved(session.notebook.folder, out, ",".join(names) or "none")
    write_numbers(document, place)
    draw(document, place, out)
    return {"says": solved_says(document.verdict.passed), "files": _to_open(session)}


def _to_open(session):
    return [name for name in desk_view(session)["files"] if name.endswith((".html", ".pdf"))]


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid", str_max_length=400)


class Answer(_Asked):
    """An answer to a question about field files."""

    about: str
    number: int | None = None
    typed: str = ""


class Write(_Asked):
    """Write what was proposed."""

    replace: bool = False


def take_file(session: Session, body: bytes) -> dict[str, Any]:
    """Take in a file: a line with its name, then its content as it is."""
    name, _, content = body.partition(b"\n")
    return {"names": session.files.take(name.decode("utf-8", "replace")[:200], content)}


def forget_files(session: Session, body: bytes) -> dict[str, Any]:
    """Begin an import anew."""
    session.files.forget()
    return {}


def propose(session: Session, body: bytes) -> dict[str, Any]:
    """What the files seem to be."""
    return proposal_view(session.files.proposal())


def answer(session: Session, body: bytes) -> dict[str, Any]:
    """Take an answer, and propose again."""
    asked = Answer.model_validate_json(body)
    session.files.answer(asked.about, asked.number, asked.typed)
    return proposal_view(session.files.proposal())


def write_import(session: Session, body: bytes) -> dict[str, Any]:
    """Write the run folder's files from the field files."""
    asked = Write.model_validate_json(body)
    return {"says": session.files.write(asked.replace)}


def make_sheet(session: Session, body: bytes) -> dict[str, Any]:
    """What to enter, as a sheet beside the result: as the command makes it."""
    from calib.report.pages.sheet import sheet_files

    read = load_result(result_folder(session))
    write_whole(result_folder(session), sheet_files(read.document, "mm", "deg"))
    return {"files": _to_open(session)}


def confirm_shown(session: Session, body: bytes) -> dict[str, Any]:
    """What the machine's own display shows (a file as it is), against what was to be typed."""
    from calib.cli.confirm import confirmed
    from calib.report.press.terminal import plain

    read = load_result(result_folder(session))
    with tempfile.TemporaryDirectory(prefix="calib-yard-") as place:
        path = Path(place) / "shown.csv"
        path.write_bytes(body)
        told, sections, notices = confirmed(read, read.document, path)
    return {"agrees": told.agrees, "says": "\n".join([*notices, plain(sections)])}


#: Path to what it does.
ACTIONS: dict[str, Callable[[Session, bytes], Any]] = {
    "/solve": solve_run,
    "/sheet": make_sheet,
    "/confirm": confirm_shown,
    "/file": take_file,
    "/forget": forget_files,
    "/propose": propose,
    "/answer": answer,
    "/import": write_import,
}
