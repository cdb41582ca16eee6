"""``calib yard``: the run while it is being made, on a page of the browser."""

from pathlib import Path
from typing import Annotated

import typer

from calib.cli import talk


def yard(
    run: Annotated[Path, typer.Argument(help="The run folder (see: calib new).")],
    share: Annotated[bool, typer.Option(
        "--share", help="Let other devices of the local network in too, with a code that is shown "
        "here and works once.")] = False,
    collector: Annotated[Path | None, typer.Option(
        "--collector", metavar="FILE", help="The file that the data collector writes its points "
        "to: they become shots as they come. It is read, never changed.")] = None,
    log: Annotated[Path | None, typer.Option(
        "--log", metavar="FILE", help="The log that the sensors write: its end fills in the "
        "readings of a pose.")] = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="0: one that is free.")] = 0,
    no_browser: Annotated[bool, typer.Option(
        "--no-browser", help="Print where the page is and open nothing.")] = False,
) -> None:
    """Open the page for the yard: what to do next, what came in, is it good, is it enough.

    Served from this machine to its own browser; nothing goes to any other network. Everything is
    written to the run folder at once. Stop with Ctrl-C.
    """
    from calib.yard.serve import serve

    talk.tell_cautions()
    serve(run, collector, log, share=share, port=port, browser=not no_browser)
