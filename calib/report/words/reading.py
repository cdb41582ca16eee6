"""What is said of a reading that is set aside."""

import numpy as np

from calib.chain.rig import Rig
from calib.foretold import Replaced
from calib.report.numbers import unit_factor


def replaced_says(reading: Replaced, rig: Rig) -> str:
    """What it read and what the shots of its pose say, as part of a sentence."""
    if not np.isfinite(reading.sd):
        return "no other shot of its pose determines it"
    unit = rig.readings[reading.reading].unit
    factor, digits = unit_factor(unit), 2 if unit == "deg" else 3
    return (f"it read {factor * reading.measured:.{digits}f} {unit}, the shots of its pose say "
            f"{factor * reading.estimate:.{digits}f} ± {factor * reading.sd:.{digits}f} {unit} "
            "(1 sd)")
