"""The rig drawn from its own chain, and what a positive change of each quantity does."""

from dataclasses import dataclass

import numpy as np

from calib.calibration import HOUSE_PLACEMENT
from calib.chain.chain import Chain
from calib.chain.rig import Rig
from calib.document.record import ResultRecord
from calib.edge import edge_points
from calib.report.figures.small_multiples import CellGrid
from calib.report.figures.style import FAINT, FLAG, INK, PLAIN, SMALL, Canvas
from calib.report.spoken import spoken
from calib.solved_machine import rig_and_parameters

#: Views: name and the house axes drawn to the right and upwards, with their signs.
VIEWS = {
    "side": ((0, 1.0), (2, 1.0)),
    "behind": ((1, -1.0), (2, 1.0)),
    "above": ((0, 1.0), (1, 1.0)),
}
VIEW_WORDS = {
    "side": "from its right side",
    "behind": "from behind",
    "above": "from above",
}

#: The same in a word or three, for small drawings.
VIEW_LABELS = {"side": "from the right", "behind": "from behind", "above": "from above"}

#: Small drawings side by side.
SIGN_COLUMNS = 3

#: Cosine from which an axis counts as one across the machine.
ACROSS = 0.7


@dataclass(frozen=True)
class Skeleton:
    """The way from the house to the edge at one posture, levelled house frame, m."""

    origins: np.ndarray  #: Shape (k + 1, 3). Before each motion, and the end.
    axes: np.ndarray  #: Shape (k, 3). Of each motion.
    #: Tuple of (str or None). The parameter that sets each motion, its sensor's zero for a joint.
    names: tuple
    turns: np.ndarray  #: Bool, shape (k,).
    joints: np.ndarray  #: Bool, shape (k,). Motions that a sensor tells.
    #: Shape (k,). What of that parameter the motion is: a half for half a width.
    shares: np.ndarray
    edge: np.ndarray  #: Shape (t, 3). All points of the edge.

    @property
    def attachment(self) -> int:
        """The joint that curls it: the last one that turns about an axis across the machine."""
        across = self.joints & (np.abs(self.axes[:, 1]) > ACROSS)
        return int(np.flatnonzero(across)[-1]) if across.any() else 0


def drawing_posture(rig: Rig) -> np.ndarray:
    """Joint angles of the drawings: the middle reach of the envelope, swept joints at zero."""
    reaches = rig.envelope.reaches
    _, joints = reaches[len(reaches) // 2]
    return np.array([[joints.get(name, 0.0) for name in rig.reading_names]])


def skeleton(rig: Rig, parameters: np.ndarray, readings: np.ndarray) -> Skeleton:
    """Walk to the edge at readings of shape (1, k), rad."""
    chain = rig.chain
    edges = edge_points(rig)
    target = chain.targets[edges[0]]
    trunk = chain.motions[: chain.depth[target.frame]]
    to_edge = Chain((*trunk, *target.motions), chain.parameters, chain.sensors, chain.targets)
    posture = to_edge.posture(parameters, HOUSE_PLACEMENT, readings, jacobian=False)
    whole = chain.posture(parameters, HOUSE_PLACEMENT, readings, jacobian=False)
    points = whole.points(np.array(edges), np.zeros(len(edges), int)).position
    zeros = {s.name: s.zero for s in chain.sensors}
    names, shares = [], []
    for motion in to_edge.motions:
        own = [name for name in motion.by if name in chain.parameters]
        names.append(own[0] if own else zeros.get(motion.joint or ""))
        shares.append(abs(motion.by[own[0]]) if own and motion.by[own[0]] else 1.0)
    return Skeleton(
        origins=np.vstack([posture.origins[0], points[:1]]),
        axes=posture.axes[0],
        names=tuple(names),
        turns=to_edge.turns,
        joints=np.array([motion.joint is not None for motion in to_edge.motions]),
        shares=np.array(shares),
        edge=points,
    )


def projected(points: np.ndarray, view: str) -> tuple[np.ndarray, np.ndarray]:
    (right, right_sign), (up, up_sign) = VIEWS[view]
    return points[..., right] * right_sign, points[..., up] * up_sign


def shown_names(document: ResultRecord) -> list[str]:
    """The quantities that move the edge: what a machine is to be told."""
    rig, parameters = rig_and_parameters(document)
    readings = rig.chain.readings_for(parameters, drawing_posture(rig))
    return [p.name for i, p in enumerate(rig.parameters)
            if _moves_edge(rig, parameters, readings, i)]


def signs(figure: Canvas, document: ResultRecord, columns: int = SIGN_COLUMNS,
          gap: tuple[float, float] = (0.12, 0.38)) -> None:
    """For every quantity, the rig as solved and with that quantity larger, readings unchanged."""
    rig, parameters = rig_and_parameters(document)
    readings = rig.chain.readings_for(parameters, drawing_posture(rig))
    before = skeleton(rig, parameters, readings)
    names = shown_names(document)
    small = columns > 4
    cells = CellGrid(figure, -(-len(names) // columns), columns, left=0.06, right=0.06,
                      top=0.24 if small else 0.3, bottom=0.14, gap=gap)
    for k, name in enumerate(names):
        i = rig.parameter_names.index(name)
        larger = parameters.copy()
        larger[i] += 0.35 if rig.parameters[i].unit == "m" else np.radians(20.0)
        row, column = divmod(k, columns)
        _sketch(cells, row, column, name, before, skeleton(rig, larger, readings),
                5.6 if small else SMALL)
    cells.finish()


def _moves_edge(rig, parameters, readings, i):
    step = parameters.copy()
    step[i] += 1e-3
    a, b = (skeleton(rig, p, readings).edge for p in (parameters, step))
    return np.abs(a - b).max() > 1e-9


def _view_of(bones, name, shift):
    """The view in which a change of a parameter shows: along the axis of a rotation."""
    if name in bones.names and bones.turns[bones.names.index(name)]:
        axis = np.abs(bones.axes[bones.names.index(name)])
        return ("behind", "side", "above")[int(np.argmax(axis))]
    return max(VIEWS, key=lambda v: np.hypot(shift[VIEWS[v][0][0]], shift[VIEWS[v][1][0]])
               * (1.1 if v == "side" else 1.0))


def _sketch(cells, row, column, name, before, after, size):
    moved = np.linalg.norm(after.origins - before.origins, axis=1) > 1e-9
    edge_moved = np.linalg.norm(after.edge - before.edge, axis=1).max()
    first = int(np.argmax(moved)) if moved.any() else len(moved) - 1
    start = max(0, min(first - 1, before.attachment))
    start = start if start < before.attachment else before.attachment
    view = _view_of(before, name, np.abs(after.edge - before.edge).max(0))
    (left, bottom), (width, height) = cells.cell(row, column), cells.size
    clouds = [projected(np.vstack([b.origins[start:], b.edge]), view) for b in (before, after)]
    xs, ys = (np.concatenate([c[i] for c in clouds]) for i in (0, 1))
    scale = min(0.92 * width / max(np.ptp(xs), 1e-6), 0.86 * height / max(np.ptp(ys), 1e-6))
    centre = (xs.min() + xs.max()) / 2, (ys.min() + ys.max()) / 2

    def place(points):
        x, y = projected(points, view)
        return (left + width / 2 + scale * (x - centre[0]),
                bottom + height / 2 + scale * (y - centre[1]))

    ax = cells.axes
    for bones, colour, style in ((before, FAINT, (0, (3, 1.5))), (after, PLAIN, "-")):
        cells.line(*place(bones.origins[start:]), colour, 1.3, style)
        cells.line(*place(bones.edge), colour, 2.6)
    ax.plot(*place(before.origins[start]), marker="s", color=INK, markersize=3.5)
    worst = int(np.argmax(np.linalg.norm(after.edge - before.edge, axis=1)))
    if edge_moved > 0:
        ax.annotate("", place(after.edge[worst]), place(before.edge[worst]),
                    arrowprops={"arrowstyle": "-|>", "color": FLAG, "linewidth": 1.1,
                                "shrinkA": 0, "shrinkB": 0})
    cells.text(left, bottom + height + 0.06, spoken(name), fontsize=size)
    cells.text(left, bottom - 0.02, VIEW_LABELS[view], fontsize=size - 0.5, va="top")


