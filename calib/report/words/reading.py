"""What is said of a reading that is set aside."""

import numpy as np

from calib.foretold import Replaced


def replaced_says(reading: Replaced) -> str:
    """What it read and what the shots of its pose say, as part of a sentence."""
    if not np.isfinite(reading.sd):
        return "no other shot of its pose determines it"
    return (f"it read {np.degrees(reading.measured):.2f} deg, the shots of its pose say "
            f"{np.degrees(reading.estimate):.2f} ± {np.degrees(reading.sd):.2f} deg")
