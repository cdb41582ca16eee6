"""What is believed of a machine before anything is measured: broad, to catch blunders.

A starting value that the user stated, from a drawing or a data sheet, is believed to a few per
cent; the template's only says what order of size to expect. The widths are ours, without a source.
"""

import numpy as np

from calib.adjust.observations import Prior
from calib.calibration import Problem, tape_by_parameter
from calib.chain.circle import differences
from calib.chain.rig import Rig
from calib.layout import RIG
from calib.run.records import Run

#: 1 sd: share of a length, but at least so many m; rad.
STATED_SHARE, STATED_LENGTH, STATED_ANGLE = 0.03, 0.03, np.radians(20.0)
TEMPLATE_SHARE, TEMPLATE_LENGTH, TEMPLATE_ANGLE = 0.15, 0.10, np.radians(45.0)


def believed_sd(rig: Rig) -> np.ndarray:
    """1 sd of the belief in each starting value, shape (p,), m or rad."""
    widths = ((TEMPLATE_SHARE, TEMPLATE_LENGTH, TEMPLATE_ANGLE),
              (STATED_SHARE, STATED_LENGTH, STATED_ANGLE))
    return np.array([angle if p.unit == "deg" else max(share * abs(p.start), length)
                     for p in rig.parameters for share, length, angle in [widths[p.stated]]])


def disbelief(run: Run, parameters: np.ndarray) -> np.ndarray:
    """Squared distance from the starting value in sds of belief, shape (p,).

    0 for what is held, taped, or known of the machine: nobody needs to believe what was measured.
    """
    rig = run.rig
    off = difference(rig, parameters, rig.start) / believed_sd(rig)
    return np.where(_believed(run), off**2, 0.0)


def belief_prior(problem: Problem) -> Prior:
    """The belief as pseudo-observations; angles are compared without whole turns."""
    rig, rows = problem.run.rig, np.flatnonzero(_believed(problem.run))
    gradient = np.eye(len(problem.layout))[problem.layout.columns(RIG, "")[rows]]

    def function(unknowns):
        off = difference(rig, problem.parameters(unknowns), rig.start)
        return (rig.start + off)[rows], gradient

    return Prior(tuple(rig.parameter_names[i] for i in rows), rig.start[rows],
                 np.diag(believed_sd(rig)[rows] ** 2), function)


def difference(rig: Rig, one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """One less other, shape (p,), m or rad; angles without whole turns."""
    return differences(one, other, [p.unit for p in rig.parameters])


def _believed(run):
    taped, _ = tape_by_parameter(run.rig, run.tape)
    told = () if run.machine is None else run.machine.names
    return np.isnan(taped) & ~run.rig.held & ~np.isin(run.rig.parameter_names, told)
