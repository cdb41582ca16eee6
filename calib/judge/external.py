"""External reliability: what an error that nobody would notice does at the edge.

The parameters move by the influence of a value times its minimal detectable bias, the edge by its
Jacobian times that; the largest move over the working envelope counts. W. Baarda, *A Testing
Procedure for Use in Geodetic Networks*, Delft 1968 (from memory).
"""

from dataclasses import dataclass

import numpy as np

from calib.adjust.reliability import Reliability, influence
from calib.calibration import Solution
from calib.edge import envelope_edge
from calib.layout import RIG

_AT_ONCE = 500


@dataclass(frozen=True)
class External:
    """Largest 3-D move of the edge over the envelope, m, by a bias of just detectable size.

    inf where nothing checks the value and the edge depends on it; 0 where it does not.
    """

    shots: np.ndarray  #: Shape (n_shots,). The worst of the three components.
    readings: np.ndarray  #: Shape (n_poses, n_readings).
    taped: np.ndarray  #: Shape (q,). In the order of the prior, without set-ups.


def external_reliability(solution: Solution, checks: Reliability) -> External:
    """Carry the minimal detectable biases of `checks` to the edge."""
    rig = solution.problem.layout.columns(RIG, "")
    moved = influence(solution.adjustment)
    nodes = envelope_edge(solution.rig, solution.parameters)
    by_parameters = nodes.by_parameters[nodes.seen].reshape(-1, len(rig))
    taped = solution.problem.n_taped

    def at_edge(shifts, mdb):
        """Worst move per row of `shifts` (m, p), each per unit of its bias."""
        worst = np.empty(len(shifts))
        for first in range(0, len(shifts), _AT_ONCE):
            part = shifts[first : first + _AT_ONCE, rig]
            moves = (by_parameters @ part.T).reshape(-1, 3, len(part))
            worst[first : first + _AT_ONCE] = np.sqrt((moves**2).sum(1).max(0, initial=0.0))
        nothing = worst < 1e-12
        return np.where(nothing, 0.0, worst * np.where(nothing, 0.0, mdb))

    shots = at_edge(moved.observations, checks.observations.mdb).reshape(-1, 3).max(1)
    readings = at_edge(moved.readings.reshape(-1, moved.readings.shape[-1]),
                       checks.readings.mdb.ravel()).reshape(checks.readings.mdb.shape)
    return External(shots, readings, at_edge(moved.priors[:taped], checks.priors.mdb[:taped]))
