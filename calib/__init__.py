"""Least-squares calibration of excavators with a tilt rotator, from shots at the cutting edge.

>>> from pathlib import Path
>>> import calib
>>> solution = calib.solve(calib.read_run(Path("myrun")))   # doctest: +SKIP
>>> result = calib.load_result(Path("myrun/result"))        # doctest: +SKIP
"""

from importlib import import_module

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
    "load_result": "calib.results",
    "position": "calib.uncertain",
    "read_run": "calib.run.folder",
    "rig_from_dict": "calib.chain.rig",
    "rig_from_template": "calib.chain.rig",
    "solve": "calib.calibration",
    "unknowns": "calib.uncertain",
}

__all__ = list(_HOMES)


def __getattr__(name):
    if name not in _HOMES:
        raise AttributeError(f"module 'calib' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__():
    return [*globals(), *_HOMES]
