"""How much faster is the solve than the same problem as a full adjustment by scipy alone?

The full adjustment carries every reading as an unknown and takes numeric derivatives. Both start
from the same values, in the same process; what counts is the ratio.

Run: ``python benchmarks/solve_ratio.py``.
"""

import time
import tomllib

import numpy as np
from scipy.optimize import least_squares

from calib.calibration import problem_of, solve
from calib.chain.rig import rig_from_dict
from calib.cli.simulate import STANDARD_RIG
from calib.simulate import simulate


def full_numeric(run):
    """Estimates of the free unknowns by a full adjustment with a numeric Jacobian."""
    problem, shots = problem_of(run), run.shots
    free = ~problem.held
    n_free, shape = int(free.sum()), run.poses.readings.shape
    whitener = np.linalg.inv(np.linalg.cholesky(shots.covariance))
    tape_sd = np.sqrt(np.diag(problem.prior.covariance))

    def residuals(z):
        unknowns = problem.start.copy()
        unknowns[free] = z[:n_free]
        readings = z[n_free:].reshape(shape)
        points = problem.points(unknowns, readings, shots.target, shots.pose, jacobian=False)
        h, _ = problem.prior.function(unknowns)
        return np.concatenate([
            np.einsum("nij,nj->ni", whitener, shots.position - points.position).ravel(),
            ((run.poses.readings - readings) / run.poses.sd).ravel(),
            (problem.prior.values - h) / tape_sd,
        ])

    start = np.concatenate([problem.start[free], run.poses.readings.ravel()])
    found = least_squares(residuals, start, x_scale="jac")
    return found.x[:n_free]


def seconds(function, repeats):
    """Median wall time of a call, s."""
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        function()
        times.append(time.perf_counter() - begin)
    return float(np.median(times))


def main():
    rig = rig_from_dict(tomllib.loads(STANDARD_RIG))
    run, _ = simulate(rig, np.random.default_rng(0), poses=30)
    solution = solve(run)
    shift = (full_numeric(run) - solution.adjustment.parameters[solution.adjustment.free])
    worst = np.abs(shift / solution.adjustment.sd[solution.adjustment.free]).max()
    fast, slow = seconds(lambda: solve(run), 50), seconds(lambda: full_numeric(run), 3)
    print(f"30 poses x 2 corners: solve {1000 * fast:.1f} ms, full numeric {1000 * slow:.0f} ms, "
          f"ratio {slow / fast:.0f}; estimates agree within {worst:.4f} sd")


if __name__ == "__main__":
    main()
