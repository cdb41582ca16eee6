"""Least-squares calibration of excavators with a tilt rotator, from shots at the cutting edge.

>>> from pathlib import Path
>>> import calib
>>> solution = calib.solve(calib.read_run(Path("myrun")))   # doctest: +SKIP
>>> result = calib.load_result(Path("myrun/result"))        # doctest: +SKIP
"""

from typing import TYPE_CHECKING

from calib.names import later

if TYPE_CHECKING:
    from calib import judge, plan, simulate
    from calib.adjust.mixed_model import NotConverged
    from calib.adjust.spectrum import NotDetermined
    from calib.calibration import Solution, solve
    from calib.chain.rig import Rig, rig_from_dict, rig_from_template
    from calib.resampled import resolve_many
    from calib.results import Result, load_result
    from calib.run.complaints import InputError
    from calib.run.folder import read_run
    from calib.run.records import Run
    from calib.uncertain import derived, position, unknowns

#: Where each public name is. They are imported when first asked for: the command line can then
#: take an interrupt from its first moment on.
_HOMES = {
    "InputError": "calib.run.complaints",
    "NotConverged": "calib.adjust.mixed_model",
    "NotDetermined": "calib.adjust.spectrum",
    "Result": "calib.results",
    "Rig": "calib.chain.rig",
    "Run": "calib.run.records",
    "Solution": "calib.calibration",
    "derived": "calib.uncertain",
    "judge": "calib.judge",
    "load_result": "calib.results",
    "plan": "calib.plan",
    "position": "calib.uncertain",
    "read_run": "calib.run.folder",
    "resolve_many": "calib.resampled",
    "rig_from_dict": "calib.chain.rig",
    "rig_from_template": "calib.chain.rig",
    "simulate": "calib.simulate",
    "solve": "calib.calibration",
    "unknowns": "calib.uncertain",
}

__all__ = [
    "InputError", "NotConverged", "NotDetermined", "Result", "Rig", "Run", "Solution", "derived",
    "judge", "load_result", "plan", "position", "read_run", "resolve_many", "rig_from_dict",
    "rig_from_template", "simulate", "solve", "unknowns",
]

__getattr__, __dir__ = later(__name__, _HOMES)
