"""Other solvers on the same run, from the same start, to the same answer.

Each is a function of a `Full` problem that returns the free unknowns of the machine. A library that
is not installed is told, not replaced.
"""

import numpy as np
from scipy.optimize import least_squares

from benchmarks.speed.full import Full


def numeric(full: Full):
    """scipy, every reading an unknown, derivatives by differences."""
    return least_squares(full.residuals, full.start, x_scale="jac").x[: full.n_free]


def analytic_dense(full: Full):
    """scipy, every reading an unknown, analytic derivatives, Levenberg-Marquardt of MINPACK."""
    return least_squares(full.residuals, full.start, full.dense, method="lm", x_scale="jac"
                         ).x[: full.n_free]


def analytic_sparse(full: Full):
    """scipy, every reading an unknown, analytic derivatives in a sparse matrix."""
    # At the default tolerances it stops a few hundredths of an sd away.
    tight = {"ftol": 1e-12, "xtol": 1e-12, "gtol": 1e-12}
    return least_squares(full.residuals, full.start, full.sparse, x_scale="jac", **tight,
                         tr_options={"atol": 1e-12, "btol": 1e-12}).x[: full.n_free]


def by_lmfit(full: Full):
    """lmfit, analytic derivatives."""
    import lmfit

    unknowns = lmfit.Parameters()
    for i, value in enumerate(full.start):
        unknowns.add(f"z{i}", float(value))

    def vector(of):
        return np.array([of[f"z{i}"].value for i in range(len(full.start))])

    found = lmfit.Minimizer(lambda of: full.residuals(vector(of)), unknowns, calc_covar=False
                            ).leastsq(Dfun=lambda of: full.dense(vector(of)))
    return vector(found.params)[: full.n_free]


def by_odrpack(full: Full):
    """ODRPACK, analytic derivatives, the tape as pseudo-observations.

    A pose is an observation of the coordinates of its shots that depends on its readings; each
    taped value is one more, of one coordinate, whose readings are fixed.
    """
    from odrpack import odr_fit

    run, prior = full.run, full.problem.prior
    (n_poses, k), taped = full.shape, len(prior.values)
    q = 3 * len(run.shots) // n_poses
    taped_whitener = full.prior_whitener

    def pieces(x, beta):
        unknowns = full.problem.start.copy()
        unknowns[full.free] = beta
        return unknowns, np.ascontiguousarray(x[:, :n_poses].T)

    def values(x, beta):
        unknowns, readings = pieces(x, beta)
        points = full.problem.points(unknowns, readings, run.shots.target, run.shots.pose,
                                     jacobian=False)
        out = np.zeros((q, n_poses + taped))
        out[:, :n_poses] = points.position.reshape(n_poses, q).T
        out[0, n_poses:] = taped_whitener @ prior.function(unknowns)[0]
        return out

    def by_beta(x, beta):
        unknowns, readings = pieces(x, beta)
        found = full.problem(unknowns, readings).by_parameters[:, full.free]
        out = np.zeros((q, full.n_free, n_poses + taped))
        out[:, :, :n_poses] = found.reshape(n_poses, q, -1).transpose(1, 2, 0)
        tape = taped_whitener @ prior.function(unknowns)[1][:, full.free]
        out[0, :, n_poses:] = tape.T
        return out

    def by_x(x, beta):
        unknowns, readings = pieces(x, beta)
        found = full.problem(unknowns, readings).by_readings
        out = np.zeros((q, k, n_poses + taped))
        out[:, :, :n_poses] = found.reshape(n_poses, q, k).transpose(1, 2, 0)
        return out

    x = np.zeros((k, n_poses + taped))
    x[:, :n_poses] = run.poses.readings.T
    y = np.zeros((q, n_poses + taped))
    y[:, :n_poses] = run.shots.position.reshape(n_poses, q).T
    y[0, n_poses:] = taped_whitener @ prior.values
    weight_x = np.ones((k, n_poses + taped))
    weight_x[:, :n_poses] = full.reading_sd.T ** -2.0
    weight_y = np.zeros((q, q, n_poses + taped))
    information = np.linalg.inv(run.shots.covariance).reshape(n_poses, q // 3, 3, 3)
    for i in range(q // 3):
        own = slice(3 * i, 3 * i + 3)
        weight_y[own, own, :n_poses] = information[:, i].transpose(1, 2, 0)
    weight_y[0, 0, n_poses:] = 1.0
    fixed = np.zeros(x.shape, bool)
    fixed[:, n_poses:] = True
    return odr_fit(values, x, y, full.start[: full.n_free], weight_x=weight_x, weight_y=weight_y,
                   fix_x=fixed, jac_beta=by_beta, jac_x=by_x, sstol=1e-12, partol=1e-12).beta


def by_ceres(full: Full):
    """Ceres (C++), analytic derivatives, all poses in one cost function, dense QR.

    A cost function per pose would let it eliminate the readings, but then each pose would be
    evaluated by itself in Python, which takes longer than the elimination saves.
    """
    import pyceres

    p, z = full.n_free, full.start.copy()
    _, _, (n, size) = full.pattern

    class Everything(pyceres.CostFunction):
        def __init__(self):
            super().__init__()
            self.set_num_residuals(n)
            self.set_parameter_block_sizes([size])

        def Evaluate(self, parameters, residuals, jacobians):
            residuals[:] = full.residuals(parameters[0])
            if jacobians is not None:
                jacobians[0][:] = full.dense(parameters[0]).ravel()
            return True

    problem, cost = pyceres.Problem(), Everything()
    problem.add_residual_block(cost, None, [z])
    options = pyceres.SolverOptions()
    options.linear_solver_type = pyceres.LinearSolverType.DENSE_QR
    options.num_threads, options.logging_type = 1, pyceres.LoggingType.SILENT
    options.function_tolerance = options.parameter_tolerance = 1e-12
    options.gradient_tolerance = 1e-12
    pyceres.solve(options, problem, pyceres.SolverSummary())
    return z[:p]


def by_casadi(full: Full, made=None):
    """scipy's Levenberg-Marquardt, derivatives by CasADi, `made` before if they are ready."""
    from benchmarks.speed.kinematics import Casadi

    made = made or Casadi(full)
    return least_squares(made.residuals, full.start, made.dense, method="lm", x_scale="jac"
                         ).x[: full.n_free]
