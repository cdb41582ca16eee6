"""What is said of a reading that is set aside."""

import numpy as np

from calib.chain.rig import Rig
from calib.foretold import Replaced
from calib.report.numbers import unit_factor
from calib.report.spoken import spoken


def scale_says(reading: str, share: float, sd: float | None = None) -> str:
    """A sensor's scale: what it shows too much in proportion to itself, with 1 sd if it is known.

    Examples
    --------
    >>> scale_says("stick", 0.0044, 0.0005), scale_says("boom", -0.031)
    ('the stick sensor shows 0.44 ± 0.05 % (1 sd) too much in proportion', \
'the boom sensor shows 3.10 % too little in proportion')
    """
    size = f"{100 * abs(share):.2f}" + (" %" if sd is None else f" ± {100 * sd:.2f} % (1 sd)")
    return (f"the {spoken(reading)} sensor shows {size} too {'much' if share > 0 else 'little'} in "
            "proportion")


def replaced_says(reading: Replaced, rig: Rig) -> str:
    """What it read and what the shots of its pose say, as part of a sentence."""
    if not np.isfinite(reading.sd):
        return "no other shot of its pose determines it"
    unit = rig.readings[reading.reading].unit
    factor, digits = unit_factor(unit), 2 if unit == "deg" else 3
    return (f"it read {factor * reading.measured:.{digits}f} {unit}, the shots of its pose say "
            f"{factor * reading.estimate:.{digits}f} ± {factor * reading.sd:.{digits}f} {unit} "
            "(1 sd)")
