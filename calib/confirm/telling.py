"""What these poses cannot show, and a pose that would."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.adjust.distributions import TIMES_SD
from calib.adjust.whitening import whiteners_of
from calib.chain.rig import Rig
from calib.confirm.displayed import Comparison
from calib.confirm.slip_search import Tried
from calib.edge import EdgeNodes, edge_positions, envelope_edge
from calib.entries.typed import WIDE

#: A slip that changes the display by less than so many sds in all may go unnoticed.
SEEN = 4.0


@dataclass(frozen=True)
class TellingPose:
    """A posture at which two machines show something else."""

    #: joints, readings: shape (k,), rad.
    joints: np.ndarray
    readings: np.ndarray
    target: str  #: Where the difference is seen best.
    apart: float  #: What the display differs by there, m.


@dataclass(frozen=True)
class Unseen:
    """A slip that the shown poses would not show, though it moves the edge elsewhere."""

    tried: Tried
    moves: float  #: The edge, at worst over the envelope, m.
    pose: TellingPose | None  #: None where no pose shows it alone.


@dataclass(frozen=True)
class Envelope:
    """The edge over the envelope with everything typed right, and poses that may be shown."""

    compared: Comparison
    #: Shape (n, k), rad. Joint angles of the poses that may be shown; None: those of the envelope.
    joints: np.ndarray | None = None

    @property
    def rig(self) -> Rig:
        return self.compared.rig

    @cached_property
    def nodes(self) -> EdgeNodes:
        """At the postures of the rig's envelope."""
        return envelope_edge(self.rig, self.compared.base)

    @cached_property
    def offered(self) -> EdgeNodes:
        """At the poses that may be shown."""
        return self.nodes if self.joints is None else envelope_edge(
            self.rig, self.compared.base, self.joints)

    @cached_property
    def inverse_sd(self) -> np.ndarray:
        """Of `offered`: inverse Cholesky factor of the noise of each point, (n, t, 3, 3)."""
        nodes = self.offered
        points, _ = edge_positions(self.rig, self.compared.base, nodes.readings, nodes.targets,
                                   True)
        posed = self.compared.posed
        noise = np.median(np.diag(posed.covariance).reshape(posed.readings.shape), axis=0)
        moved = points.by_readings * np.sqrt(noise)
        step = self.compared.shown.step / np.sqrt(12)
        return whiteners_of(moved @ moved.swapaxes(2, 3) + np.diag(np.maximum(step, 1e-6) ** 2))

    def moves(self, parameters: np.ndarray) -> float:
        """What a machine is off by at worst, m."""
        return float(np.nan_to_num(self.nodes.worst_error(parameters), nan=np.inf))

    @cached_property
    def told95(self) -> float:
        """What the shown poses tell the edge to, whatever was typed, at worst with 95 %, m.

        Of what was typed next to nothing is known beforehand; to first order.
        """
        compared, nodes = self.compared, self.nodes
        entries = compared.entries.entries
        wide = compared.by_entry * [WIDE[e.kind] / e.size for e in entries]
        points = compared.positions(compared.base, jacobian=True)
        shown = compared.whitening.matrix @ (points.by_parameters @ wide)[compared.mask]
        left = np.linalg.inv(np.eye(len(entries)) + shown.T @ shown)
        sd = nodes.sd(wide @ left @ wide.T)[nodes.seen]
        return float(TIMES_SD * sd.max(initial=0.0))

    def may_move(self, parameters: np.ndarray) -> float:
        """The same to first order, quickly."""
        nodes = self.nodes
        off = nodes.by_parameters[nodes.seen] @ (parameters - self.compared.base)
        return float(np.linalg.norm(off, axis=-1).max(initial=0.0))

    def telling(self, one: np.ndarray, other: np.ndarray) -> TellingPose | None:
        """Where the displays of two machines differ most, in sds."""
        nodes = self.offered
        apart = nodes.error(one) - nodes.error(other)
        usable = nodes.seen & np.isfinite(apart).all(axis=(1, 2))
        if not usable.any():
            return None
        sds = np.linalg.norm((self.inverse_sd @ apart[..., None])[..., 0], axis=2)
        sds = np.where(usable[:, None], sds, -1.0)
        node, point = np.unravel_index(int(np.argmax(sds)), sds.shape)
        if sds[node, point] < SEEN:
            return None
        return TellingPose(
            nodes.joints[node], nodes.readings[node],
            self.rig.target_names[nodes.targets[point]],
            float(np.linalg.norm(apart[node, point])))


def unseen(envelope: Envelope, singles: Sequence[Tried], moved: np.ndarray, goal: float
           ) -> tuple[Unseen, ...]:
    """For each field the slip that moves the edge most of those that the poses would not show.

    Parameters
    ----------
    singles : sequence of Tried, n of them
        The slips.
    moved : ndarray, shape (n, m)
        What each would change in the display, in sds.
    goal : float
        What moves the edge by less does no harm, m.
    """
    worst: dict[frozenset[int], tuple[float, Tried]] = {}
    for tried, sds in zip(singles, np.linalg.norm(moved, axis=1).tolist(), strict=True):
        if sds >= SEEN or envelope.may_move(tried.parameters) < 0.7 * goal:
            continue
        moves = envelope.moves(tried.parameters)
        if moves > max(goal, worst.get(tried.fields, (0.0,))[0]):
            worst[tried.fields] = moves, tried
    return tuple(
        Unseen(tried, moves, envelope.telling(tried.parameters, envelope.compared.base))
        for moves, tried in sorted(worst.values(), key=lambda found: -found[0]))


def poses_to_show(envelope: Envelope, count: int) -> np.ndarray:
    """Poses of `offered` whose displays together tell most of the entries, (count,).

    One by one the node that adds most to the logarithm of the determinant of the information on
    the entries, of points of the edge in sds of reading noise and rounding (greedy D-optimality).
    """
    compared, nodes = envelope.compared, envelope.offered
    seen = np.flatnonzero(nodes.seen)
    rows = envelope.inverse_sd[seen] @ (nodes.by_parameters[seen] @ compared.by_entry)
    rows = rows.reshape(len(seen), -1, rows.shape[-1]) * compared.entries.steps
    information = 1e-6 * np.eye(rows.shape[-1])
    chosen: list[int] = []
    for _ in range(min(count, len(seen))):
        own = np.linalg.inv(information)
        gained = np.eye(rows.shape[1]) + rows @ own @ rows.transpose(0, 2, 1)
        gain = np.linalg.slogdet(gained)[1]
        gain[chosen] = -np.inf
        best = int(np.argmax(gain))
        chosen.append(best)
        information = information + rows[best].T @ rows[best]
    return seen[chosen]
