"""Least-squares calibration of excavators with a tilt rotator, from shots at the cutting edge.

>>> from pathlib import Path
>>> import calib
>>> solution = calib.solve(calib.read_run(Path("myrun")))   # doctest: +SKIP
>>> result = calib.load_result(Path("myrun/result"))        # doctest: +SKIP
"""

from calib.adjust.mixed_model import NotConverged
from calib.adjust.spectrum import NotDetermined
from calib.calibration import Solution, solve
from calib.chain.rig import Rig, rig_from_dict, rig_from_template
from calib.results import Result, load_result
from calib.run.complaints import InputError
from calib.run.folder import read_run
from calib.run.records import Run
from calib.uncertain import derived, position, unknowns

__all__ = [
    "InputError",
    "NotConverged",
    "NotDetermined",
    "Result",
    "Rig",
    "Run",
    "Solution",
    "derived",
    "load_result",
    "position",
    "read_run",
    "rig_from_dict",
    "rig_from_template",
    "solve",
    "unknowns",
]
