"""Which of the effects that a rig leaves out the shots of a run ask for."""

from calib.explore.effect_search import explore
from calib.explore.found import Exploration, Found, Size, Tested, Verdict

__all__ = ["Exploration", "Found", "Size", "Tested", "Verdict", "explore"]
