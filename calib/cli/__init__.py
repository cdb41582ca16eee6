"""The command line: thin. Parse, call, print; one file per command."""

from calib.cli.app import main

__all__ = ["main"]
