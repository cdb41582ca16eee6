"""The same run as a full adjustment: every reading an unknown, every value an observation.

What is minimised is what `calib.solve` minimises: whitened misfits of shots, readings and tape.
Residuals and derivatives are those of the project's own vectorised chain, so that a solver is
compared with a solver and not with somebody's slow model.
"""

from functools import cached_property

import numpy as np
from scipy import sparse

from calib.calibration import problem_of


class Full:
    """One run, and its unknowns z: the free ones of the machine, then all readings.

    Two shots or as many in every pose, in the order of the poses, as the simulation makes them.
    """

    def __init__(self, run):
        self.run, self.problem = run, problem_of(run)
        self.free = ~self.problem.held
        self.n_free = int(self.free.sum())
        self.shape = run.poses.readings.shape
        self.shot_whitener = np.linalg.inv(np.linalg.cholesky(run.shots.covariance))
        self.prior_whitener = np.linalg.inv(np.linalg.cholesky(self.problem.prior.covariance))
        self.reading_sd = run.poses.sd
        self.start = np.concatenate([self.problem.start[self.free], run.poses.readings.ravel()])

    def split(self, z):
        """All unknowns of the machine, and the readings."""
        unknowns = self.problem.start.copy()
        unknowns[self.free] = z[: self.n_free]
        return unknowns, z[self.n_free :].reshape(self.shape)

    def residuals(self, z):
        """Whitened measured - computed: shots, readings, tape."""
        unknowns, readings = self.split(z)
        shots, prior = self.run.shots, self.problem.prior
        points = self.problem.points(unknowns, readings, shots.target, shots.pose, jacobian=False)
        off = (self.shot_whitener @ (shots.position - points.position)[..., None]).ravel()
        h, _ = prior.function(unknowns)
        read = (self.run.poses.readings - readings) / self.reading_sd
        return np.concatenate([off, read.ravel(), self.prior_whitener @ (prior.values - h)])

    def derivatives(self, z):
        """Whitened derivatives of shots by unknowns and by own readings, of tape by unknowns."""
        unknowns, readings = self.split(z)
        _, parts, by_readings = self.problem.parts(unknowns, readings, self.run.shots)
        by_unknowns = self.shot_whitener @ self.problem.layout.dense(parts)[:, :, self.free]
        by_readings = self.shot_whitener @ by_readings
        _, by_tape = self.problem.prior.function(unknowns)
        return by_unknowns, by_readings, self.prior_whitener @ by_tape[:, self.free]

    def dense(self, z):
        """Jacobian of the residuals, shape (n, n_free + n_readings)."""
        by_unknowns, by_readings, by_tape = self.derivatives(z)
        out = np.zeros(self.pattern[2])
        n, p = 3 * len(by_unknowns), self.n_free
        out[:n, :p] = -by_unknowns.reshape(n, p)
        rows, columns, _ = self.pattern
        out[rows, columns] = -by_readings.ravel()
        k = self.reading_sd.size
        out[n + np.arange(k), p + np.arange(k)] = -1.0 / self.reading_sd.ravel()
        out[n + k :, :p] = -by_tape
        return out

    def sparse(self, z):
        """The same in compressed sparse rows."""
        by_unknowns, by_readings, by_tape = self.derivatives(z)
        rows, columns, shape = self.pattern
        n, p, k = 3 * len(by_unknowns), self.n_free, self.reading_sd.size
        left = sparse.csr_matrix(np.vstack([-by_unknowns.reshape(n, p), np.zeros((k, p)),
                                            -by_tape]))
        own = np.arange(k)
        right = sparse.csr_matrix(
            (np.concatenate([-by_readings.ravel(), -1.0 / self.reading_sd.ravel()]),
             (np.concatenate([rows, n + own]), np.concatenate([columns - p, own]))),
            shape=(shape[0], k))
        return sparse.hstack([left, right], format="csr")

    @cached_property
    def pattern(self):
        """Rows and columns of the shots' derivatives by readings, and the whole shape."""
        pose, k = self.run.shots.pose, self.shape[1]
        n = 3 * len(pose)
        rows = np.repeat(np.arange(n), k)
        columns = self.n_free + (np.repeat(pose, 3)[:, None] * k + np.arange(k)).ravel()
        total = n + self.reading_sd.size + len(self.problem.prior.values)
        return rows, columns, (total, self.n_free + self.reading_sd.size)
