"""``calib entries``: a list of what a positioning system asks for, and whether it is enough."""

from __future__ import annotations

import shlex
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from calib.cli import talk


class Action(StrEnum):
    """What to do with a list of entries."""

    EXAMPLE = "example"
    CHECK = "check"


def entries(
    action: Annotated[Action, typer.Argument(
        help="example: print a list to change (invented). check: whether a list determines where "
             "the edge is, or what it leaves out.")],
    file: Annotated[Path | None, typer.Argument(
        metavar="FILE", help="The list, such as entries.toml of a run folder.")] = None,
    name: Annotated[str | None, typer.Argument(
        metavar="RIG", help="The name of a shipped rig, a rig file, or a run folder; the folder "
        "that FILE is in if not given.")] = None,
) -> None:
    """Print an invented list of what a system asks for, or check one: is it enough for the edge?

    A run folder with entries.toml keeps the list in result.json: calib sheet and calib confirm
    then need the result alone.
    """
    from importlib import resources

    if action is Action.EXAMPLE:
        talk.result((resources.files("calib.entries") / "example.toml").read_text("utf-8"))
        talk.follow_printed(["entries", "example"], "entries.toml",
                            ["entries", "check", "entries.toml", "tilt_rotator"])
        return
    if file is None:
        raise typer.BadParameter("calib entries check needs a FILE, and a RIG unless a run folder "
                                 "holds it")
    from calib.edge import envelope_edge
    from calib.report.entered import determined_at
    from calib.report.pages.entries import determined_sections
    from calib.report.press.terminal import plain
    from calib.run.beforehand import described
    from calib.run.entries_file import read_entries_file

    if not file.exists():
        talk.follow_line(f"calib entries example > {shlex.quote(str(file))}")
    rig = described(name or str(file.parent))
    listed = read_entries_file(file, rig)
    found = determined_at(rig, listed, rig.start, envelope_edge(rig, rig.start))
    talk.result(plain(determined_sections(rig, listed, found)))
    run = Path(name) if name and Path(name).is_dir() else file.parent
    if not found.complete:
        talk.follow("rig", "show", name or file.parent)
    elif (run / "result" / "result.json").is_file():
        talk.follow("sheet", run / "result", "--entries", file)
    else:
        talk.follow(*(("solve", run) if (run / "rig.toml").is_file() else ("new", "run")))
    if not found.complete:
        raise typer.Exit(talk.NOT_DETERMINED)
