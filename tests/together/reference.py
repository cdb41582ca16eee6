"""A joint adjustment with every unknown explicit: parameters, stands and the true readings.

Written with scipy alone but for the chain's predicted points: no elimination, no layout, no
reduced normal equations of the project.
"""

import numpy as np
from scipy.optimize import least_squares


def reference(rig, runs, keys):
    """Estimates and sds by key; `keys[run][parameter]` names the unknown a run has.

    Returns
    -------
    values, sds : dict of key to float
        Of the free parameters.
    """
    free = [i for i, p in enumerate(rig.parameters) if not p.held]
    names = list(dict.fromkeys(keys[r][i] for r in range(len(runs)) for i in free))
    start = {keys[r][i]: _start(rig, runs[r], i) for r in reversed(range(len(runs))) for i in free}
    stands = [(r, s) for r, run in enumerate(runs) for s in dict.fromkeys(run.poses.stand)]
    tapes = _tapes(rig, runs, keys)
    own = [([names.index(keys[r][i]) for i in free],
            [stands.index((r, s)) for s in run.poses.stand],
            np.linalg.inv(np.linalg.cholesky(run.shots.covariance))) for r, run in enumerate(runs)]
    x0 = np.concatenate([[start[n] for n in names],
                         *[_stand_start(runs[r], s, rig) for r, s in stands],
                         *[run.poses.readings.ravel() for run in runs]])

    def residuals(x):
        out, place = [], len(names) + 4 * len(stands)
        placements = x[len(names) : place].reshape(-1, 4)
        for run, (unknowns, stand, whitener) in zip(runs, own, strict=True):
            readings = x[place : place + run.poses.readings.size].reshape(run.poses.readings.shape)
            place += run.poses.readings.size
            parameters = rig.start.copy()
            parameters[free] = x[unknowns]
            posture = rig.chain.posture(parameters, placements[stand], readings, False)
            points = posture.points(run.shots.target, run.shots.pose).position
            out.append((whitener @ (run.shots.position - points)[..., None]).ravel())
            out.append(((run.poses.readings - readings) / run.poses.sd).ravel())
        out.append(np.array([(value - x[names.index(key)]) / sd for key, value, sd in tapes]))
        return np.concatenate(out)

    found = least_squares(residuals, x0, x_scale="jac", xtol=1e-12, ftol=1e-12, gtol=1e-12,
                          max_nfev=200)
    sds = np.sqrt(np.diag(np.linalg.inv(found.jac.T @ found.jac)))
    return dict(zip(names, found.x, strict=False)), dict(zip(names, sds, strict=False))


def _start(rig, run, i):
    name = rig.parameter_names[i]
    if name in run.tape.quantities:
        return run.tape.value[run.tape.quantities.index(name)]
    return rig.start[i]


def _tapes(rig, runs, keys):
    """Each reading of a tape once: unknown, value, sd."""
    rows = {}
    for r, run in enumerate(runs):
        for name, value, sd in zip(run.tape.quantities, run.tape.value, run.tape.sd, strict=True):
            rows[keys[r][rig.parameter_names.index(name)], value, sd] = None
    return list(rows)


def _stand_start(run, stand, rig):
    """East, north, up, heading by the same points in a levelled house frame, by rotation fit."""
    from calib.calibration import solve

    solution = solve(run)
    return solution.stands[solution.problem.stands.index(stand)]
