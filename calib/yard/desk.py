"""At the desk: the run solved and judged, its report and sheets to look at and to print."""

from collections.abc import Callable
from typing import Any

from pydantic import BaseModel, ConfigDict

from calib.report.words.yard import solved_says
from calib.run.write import manifest_of
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
    from calib.cli.solve import draw, solved

    names = session.notebook.notes().set_aside
    out = result_folder(session)
    document, place = solved(session.notebook.folder, out, ",".join(names) or "none")
    draw(document, place, out)
    view = desk_view(session)
    return {"says": solved_says(document.verdict.passed), "files": [
        name for name in view["files"] if name.endswith((".html", ".pdf"))]}


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


#: Path to what it does.
ACTIONS: dict[str, Callable[[Session, bytes], Any]] = {
    "/solve": solve_run,
    "/file": take_file,
    "/forget": forget_files,
    "/propose": propose,
    "/answer": answer,
    "/import": write_import,
}
