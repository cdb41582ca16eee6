"""``calib next``: is it enough, and what to shoot next."""

from pathlib import Path
from typing import Annotated

import typer

from calib.cli import planned, talk


def next_poses(
    run: Annotated[Path, typer.Argument(help="The run folder, with what was shot so far.")],
    poses: Annotated[int, typer.Option(min=1, max=50, help="How many to propose.")] = 3,
    goal: Annotated[
        str | None, typer.Option(help="What the edge must be known to, such as 15mm (95 %, worst "
                                 "over the envelope); [goal] of rig.toml if not given, else "
                                 "30 mm (common practice, no source).")] = None,
    stand: Annotated[
        str | None, typer.Option(help="Where to shoot; the stand of the last shot if not given.")
    ] = None,
    set_aside: Annotated[
        str | None, typer.Option("--set-aside", metavar="suspects|none|ID,...", help="Go on "
                                 "without the suspects, or without what is named, as in calib "
                                 "solve; as in the result in RUN if not given.")] = None,
    machine: planned.Known = None,
    targets: Annotated[
        str | None, typer.Option(help="What will be shot in every pose, names with commas; both "
                                 "corners of the edge if not given.")] = None,
    instrument: planned.Instrument = "14,9,-0.3",
    foot_height: planned.FootHeight = 1.9,
    nearest: planned.Nearest = 2.5,
    highest: planned.Highest = 2.0,
    candidates: planned.Count = 4_000,
    seed: Annotated[int, typer.Option(min=0, help="Of the poses to choose from.")] = 0,
    watch: Annotated[
        bool, typer.Option("--watch", help="Read again whenever the files change, until it is "
                           "enough.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Say how well the edge is known by now, which poses to add, and when it is enough.

    Works while the run goes on, also before it can be solved. The envelope is that of rig.toml.
    The exit status is 6 until the goal is met and nothing speaks against entering the values.
    """
    if watch and json:
        raise typer.BadParameter("--watch goes on and on; --json prints one document")
    planned.length(goal)  # a wrong one is told before any file is read
    # Only now: a wrong option is told before the libraries are there.
    from calib.cli.advice import Asked, Site, advice, say, watched

    asked = Asked(poses, goal, stand, set_aside, machine, targets,
                  Site(foot_height=foot_height, nearest=nearest, highest=highest,
                       instrument=planned.instrument_place(instrument)), candidates, seed)
    told = watched(run, asked) if watch else advice(run, asked)
    if told is None:  # watched, and stopped before there was anything to say
        return
    if json:
        talk.result(talk.json_text(told.document))
    elif not watch:
        say(told.document)
    talk.follow(*told.onward)
    if not told.document.met:
        raise typer.Exit(talk.GATE_FAILED)
