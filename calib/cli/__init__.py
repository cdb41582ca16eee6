"""The command line: thin. Parse, call, print; one file per command."""

from calib.cli.interrupt import interrupts_told

__all__ = ["main"]


def main() -> None:
    """Run the application; every fault, and an interrupt, leaves with its own exit status."""
    with interrupts_told():
        # Only now, since the libraries take their time and that can be interrupted too.
        from calib.cli.app import main as run

        run()
