"""Where the house is in each pose: at the stand, unless it was swung."""

import numpy as np

from calib.calibration import Solution


def houses(solution: Solution) -> np.ndarray:
    """East, north, up (m) of the boom foot pin and heading (rad) of the house, (n_poses, 4)."""
    problem, rig = solution.problem, solution.rig
    placement = problem.placement(solution.adjustment.parameters)
    slew = np.array([r.kind == "slew" for r in rig.readings])
    if not slew.any():
        return placement
    posture = rig.chain.posture(solution.parameters, placement, solution.adjusted_readings, False,
                                solution.run.noted)
    origin = posture.positions.get("house", placement[:, :3])
    return np.column_stack([origin, placement[:, 3] - posture.joints[:, slew].sum(1)])
