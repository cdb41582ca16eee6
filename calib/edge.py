"""The cutting edge over the working envelope: how well it is known, what wrong numbers cost there.

Everything is told in the levelled house frame (forward, left, up) at given sensor readings: those
that put the machine, as its parameters have it, on the nodes of the rig's envelope. Readings stay
fixed when parameters change, as they do on a machine whose set-up is edited.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.calibration import HOUSE_PLACEMENT
from calib.chain.circle import differences
from calib.chain.posture import Points, Posture
from calib.chain.rig import Rig


@dataclass(frozen=True)
class EdgeNodes:
    """Targets at the nodes of an envelope."""

    rig: Rig
    targets: np.ndarray  #: Int, shape (t,). Index into the rig's targets.
    parameters: np.ndarray  #: Shape (p,), m or rad.
    #: joints, readings: shape (n, k), rad.
    joints: np.ndarray
    readings: np.ndarray
    reach: np.ndarray  #: Int, shape (n,). Index into ``rig.envelope.reaches``.
    #: Bool, shape (n,). False where a sensor is blind or cannot tell the joint angle: nothing is
    #: said there.
    seen: np.ndarray
    position: np.ndarray  #: Shape (n, t, 3). Forward, left, up in the levelled house frame, m.
    by_parameters: np.ndarray  #: Shape (n, t, 3, p), m per m or m per rad.
    by_readings: np.ndarray  #: Shape (n, t, 3, k), m per rad.

    def sd(self, covariance: np.ndarray) -> np.ndarray:
        """3-D sd that a covariance (p, p) of the parameters leaves, shape (n, t), m.

        The root of the trace of J C J'; the readings count as exact.
        """
        j = self.by_parameters
        return np.sqrt(np.maximum(np.einsum("ntci,ij,ntcj->nt", j, covariance, j, optimize=True),
                                  0.0))

    def worst_sd(self, covariance: np.ndarray) -> float:
        """The largest `sd` of all nodes where something is said, m; NaN if there is none."""
        return float(self.sd(covariance)[self.seen].max()) if self.seen.any() else np.nan

    def sd_in_use(self, covariance: np.ndarray, reading_sd: np.ndarray) -> np.ndarray:
        """3-D sd of the edge with the noise of readings (k,), rad, beside that covariance.

        The readings by which the edge is placed are others than those it was solved from: their
        errors are independent of it. Shape (n, t), m.
        """
        read = np.einsum("ntck,k->nt", self.by_readings**2, reading_sd**2)
        return np.sqrt(self.sd(covariance) ** 2 + read)

    def error(self, other: np.ndarray, rig: Rig | None = None) -> np.ndarray:
        """Where `other` parameters (p,) put the targets less where these do, shape (n, t, 3), m.

        At the same readings; `rig` is the rig of `other` if that is not this one.

        Raises
        ------
        ValueError
            If `rig` has other readings, or none of the names of these targets.
        """
        if rig is None:
            seen, _ = edge_positions(self.rig, other, self.readings, self.targets)
            return seen.position - self.position
        if set(rig.reading_names) != set(self.rig.reading_names):
            raise ValueError("the rigs have different readings")
        columns = [self.rig.reading_names.index(name) for name in rig.reading_names]
        targets = np.array([rig.target_names.index(self.rig.target_names[t])
                            for t in self.targets])
        seen, _ = edge_positions(rig, other, self.readings[:, columns], targets)
        return seen.position - self.position

    def worst_error(self, other: np.ndarray, rig: Rig | None = None) -> float:
        """The largest length of `error` of all nodes where something is said, m."""
        return float(np.linalg.norm(self.error(other, rig), axis=2)[self.seen].max(initial=0.0))

    def error_sd(self, error: np.ndarray, covariance: np.ndarray) -> np.ndarray:
        """Sd of the length of `error` (n, t, 3) as far as these parameters' covariance goes.

        Taken along the error itself; shape (n, t), m.
        """
        length = np.linalg.norm(error, axis=2, keepdims=True)
        unit = np.divide(error, length, out=np.zeros_like(error), where=length > 0)
        along = np.einsum("ntc,ntci->nti", unit, self.by_parameters)
        return np.sqrt(np.maximum(np.einsum("nti,ij,ntj->nt", along, covariance, along,
                                            optimize=True), 0.0))

    def mean_square_form(self) -> np.ndarray:
        """G with ``g' G g`` the mean square move of the edge for a change g, shape (p, p)."""
        j = self.by_parameters[self.seen]
        return np.einsum("ntci,ntcj->ij", j, j, optimize=True) / (j.shape[0] * j.shape[1])


@dataclass(frozen=True)
class Shares:
    """What each parameter contributes to the edge error of a wrong set-up."""

    #: Shape (p,). Of the mean square error over nodes and targets; sums to 1. Negative where a
    #: parameter's error compensates others. First order.
    share: np.ndarray
    #: Shape (p,). Root mean square edge error, m, if only this parameter were wrong. First order.
    alone: np.ndarray


def envelope_edge(rig: Rig, parameters: np.ndarray, joints: np.ndarray | None = None) -> EdgeNodes:
    """Place the points of the edge that shots can be taken at over the working envelope.

    Parameters
    ----------
    parameters : ndarray, shape (p,)
        m or rad.
    joints : ndarray, shape (n, k), optional
        Joint angles, rad, in place of the rig's envelope.
    """
    parameters = np.asarray(parameters, float)
    index = np.array(edge_points(rig))
    if joints is None:
        joints, reach = rig.envelope_joints()
    else:
        reach = np.zeros(len(joints), int)
    readings = rig.chain.readings_for(parameters, joints)
    points, posture = edge_positions(rig, parameters, readings, index, True)
    seen = (np.abs(posture.joints - joints).max(1) < 1e-6) & ~posture.blind.any(1)
    return EdgeNodes(rig, index, parameters, joints, readings, reach, seen, points.position,
                     points.by_parameters, points.by_readings)


def edge_points(rig: Rig) -> tuple[int, ...]:
    """Indices of the targets on the edge; the envelope's own target if none is named so."""
    return rig.edge_targets or (rig.target_names.index(rig.envelope.target),)


def edge_positions(rig: Rig, parameters: np.ndarray, readings: np.ndarray,
                   targets: Sequence[int] | np.ndarray, jacobian: bool = False,
                   noted: np.ndarray | None = None) -> tuple[Points, Posture]:
    """Every target at every reading in the levelled house frame; `noted` as of `Chain.posture`.

    The arrays of the points have shapes (n, t, ...) in place of (n t, ...).
    """
    n, t = len(readings), len(targets)
    posture = rig.chain.posture(parameters, HOUSE_PLACEMENT, readings, jacobian, noted)
    points = posture.points(np.tile(targets, n), np.repeat(np.arange(n), t))
    return Points(*(part.reshape(n, t, *part.shape[1:]) for part in vars(points).values())), posture


def shares(nodes: EdgeNodes, other: np.ndarray) -> Shares:
    """How much each parameter of `other` (p,) adds to its edge error at the nodes."""
    change = differences(other, nodes.parameters, [p.unit for p in nodes.rig.parameters])
    form = nodes.mean_square_form()
    total = change @ form @ change
    share = change * (form @ change) / total if total > 0 else np.zeros_like(change)
    return Shares(share, np.abs(change) * np.sqrt(np.diag(form)))


@dataclass(frozen=True)
class Spread:
    """Worst, root mean square and 95 % value of something over nodes and targets, m."""

    worst: float
    rms: float
    p95: float

    @classmethod
    def of(cls, lengths: np.ndarray) -> "Spread":
        """Of lengths or sds, any shape; not finite ones are left out."""
        finite = lengths[np.isfinite(lengths)]
        if not finite.size:
            return cls(np.nan, np.nan, np.nan)
        return cls(float(finite.max()), float(np.sqrt(np.mean(finite**2))),
                   float(np.quantile(finite, 0.95)))
