"""``calib yard``: the run while it is being made, on a page of the browser."""

from pathlib import Path

from calib.console import talk
from calib.yard.serve import serve


def yard(run: Path, share: bool, collector: Path | None, log: Path | None, port: int,
         no_browser: bool) -> None:
    """Serve the page of a run."""
    talk.tell_cautions()
    serve(run, collector, log, share=share, port=port, browser=not no_browser)
