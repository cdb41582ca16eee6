"""The command line: thin. Parse, call, print; one file per command."""

import gc
import sys

from calib.console.interrupt import interrupts_told

__all__ = ["command", "main"]


def command() -> None:
    """The whole of a process: what comes after the command is not interrupted any more."""
    try:
        main(to_the_end=True)
    finally:
        gc.freeze()  # the process ends: nobody needs what a last search for garbage would free


def main(*, to_the_end: bool = False) -> None:
    """Run the application; every fault, and an interrupt, leaves with its own exit status."""
    with interrupts_told(_following, to_the_end):
        # Only now, since the libraries take their time and that can be interrupted too.
        from calib.console import talk

        talk.prepare()
        # A command ends soon, and what libraries set up stays: looking for garbage finds little.
        gc.set_threshold(200_000, 50, 100)
        if to_the_end and sys.argv[1:2] in (["solve"], ["demo"], ["next"]):
            _begin_beside()
        from calib.cli.app import main as run

        run()


def _following():
    from calib.console import talk

    return talk.following()


def _begin_beside():
    """A process that loads what judges while this one loads what reads the command line."""
    from calib.operations.second_process import SecondProcess, load

    if beside := SecondProcess.start():
        beside.later(load, "calib.judge.choice")
        beside.later(load, "calib.judge.judgement")
