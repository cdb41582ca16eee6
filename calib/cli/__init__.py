"""The command line: thin. Parse, call, print; one file per command."""

from calib.cli.interrupt import interrupts_told

__all__ = ["command", "main"]


def command() -> None:
    """The whole of a process: what comes after the command is not interrupted any more."""
    main(to_the_end=True)


def main(*, to_the_end: bool = False) -> None:
    """Run the application; every fault, and an interrupt, leaves with its own exit status."""
    with interrupts_told(to_the_end):
        # Only now, since the libraries take their time and that can be interrupted too.
        from calib.cli.app import main as run

        run()
