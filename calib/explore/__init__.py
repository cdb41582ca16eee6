"""Which of the effects that a rig leaves out the shots of a run ask for."""

from calib.explore.found import Exploration, Found, Size, Tested, Verdict
from calib.explore.search import explore

__all__ = ["Exploration", "Found", "Size", "Tested", "Verdict", "explore"]
