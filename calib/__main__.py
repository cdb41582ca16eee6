"""``python -m calib`` is the command ``calib``."""

from calib.cli import command

command()
