"""``calib entries``: a list of what a positioning system asks for, and whether it is enough."""

import shlex
from importlib import resources
from pathlib import Path

import typer

from calib.cli.again import newest_result
from calib.cli.onward import begin, follow_on
from calib.console import talk
from calib.edge import envelope_edge
from calib.operations.proved import provable, with_list
from calib.report.entered import determined_at
from calib.report.pages.entries import determined_sections
from calib.report.press.terminal import plain
from calib.report.words.slip import proof_says
from calib.report.words.status import left_out, not_to_enter
from calib.results import RESULT, load_result
from calib.run.complaints import Findings, InputError
from calib.run.entries_file import completed, read_entries_file
from calib.run.folder import ENTRIES, described
from calib.run.text import file_text


def entries(action: str, file: Path | None, name: str | None) -> None:
    """Print a list, or say whether one is enough and what follows from that."""
    if action == "example":
        _example()
        return
    if file is None:
        raise typer.BadParameter(f"calib entries {action} needs a FILE, and a RIG unless a run "
                                 "folder holds it")
    if not file.exists():
        talk.follow_line(f"calib entries example > {shlex.quote(str(file))}")
        raise InputError.of(file, "no such file",
                            "a list of entries (calib entries example prints one)")
    place = Path(name or file.parent)
    rig = load_result(place).rig if (place / RESULT).is_file() else described(str(place))
    listed = read_entries_file(file, rig)
    found = determined_at(rig, listed, rig.start, envelope_edge(rig, rig.start))
    whole = file.with_name(f"{file.stem}-complete{file.suffix}")
    complete, rigs = ("entries", "complete", file), (name,) if name else ()
    if action == "complete":
        text = file_text(file, str(file), "a list", Findings())
        talk.result(completed(text or "", rig, found.lacking) if found.lacking else text or "")
        talk.follow_printed([*complete, *rigs], whole,
                            lambda kept: ["entries", "check", kept, *rigs])
        return
    talk.result(plain(determined_sections(rig, listed, found)))
    if not found.complete:
        talk.follow_line(f"{talk.command(*complete, *rigs)} > {shlex.quote(str(whole))}")
        raise typer.Exit(talk.NOT_DETERMINED)
    _onward(place if place.is_dir() else file.parent, file)


def _example():
    """Print the invented list, for the run folder if one is near; it is checked there."""
    talk.result((resources.files("calib.entries") / "example.toml").read_text("utf-8"))
    runs = sorted({*Path().glob("rig.toml"), *Path().glob("*/rig.toml")}, key=lambda path: (
        path.parent != Path(), -path.stat().st_mtime))
    home = runs[0].parent if runs else Path()
    talk.follow_printed(["entries", "example"], home / ENTRIES, lambda kept: [
        "entries", "check", kept,
        *([] if (kept.parent / "rig.toml").is_file() else ["tilt_rotator"])])


def _onward(run, file):
    """What a list that is enough leads to: the run's newest result judges it, if there is one."""
    own = run / ENTRIES
    if (run / "rig.toml").is_file() and not (own.is_file() and file.samefile(own)):
        talk.tell(f"calib solve reads {own} alone: to keep this list in the result, put it there.")
    if result := newest_result(run):
        _with_result(result, file)
    else:
        talk.follow(*(("solve", run) if (run / "rig.toml").is_file() else begin()))


def _with_result(result, file):
    """What a list that is enough makes of the run's result: to be entered, and can it be proved."""
    read = load_result(result)
    document = with_list(read, file)
    talk.tell_all(filter(None, (f"Judged by {result}:", left_out(document))))
    if warning := not_to_enter(document):
        talk.tell(warning)
        follow_on(document, result, file)
        raise typer.Exit(talk.GATE_FAILED)
    talk.tell(proof_says(provable(read, document)))
    talk.follow("sheet", result, "--entries", file)
