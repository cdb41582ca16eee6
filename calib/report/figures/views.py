"""The rig drawn from its own chain: dimensioned views, and what a positive change of each does."""

from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from calib.calibration import HOUSE_PLACEMENT
from calib.chain.chain import Chain
from calib.chain.rig import Rig
from calib.document.record import ResultRecord
from calib.edge import edge_points
from calib.report.figures.cells import Lattice
from calib.report.figures.style import FAINT, FLAG, INK, PLAIN
from calib.report.numbers import SHOWN, value_and_sd
from calib.report.solved_machine import rig_and_parameters

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

#: A translation of at least this share of the longest one is a link of the machine.
LINK_SHARE = 0.35


@dataclass(frozen=True)
class Skeleton:
    """The way from the house to the edge at one posture, levelled house frame, m.

    Attributes
    ----------
    origins : ndarray, shape (k + 1, 3)
        Before each motion, and the end.
    axes : ndarray, shape (k, 3)
        Of each motion.
    names : tuple of (str or None)
        The parameter that sets each motion, its sensor's zero for a joint.
    turns : ndarray of bool, shape (k,)
    edge : ndarray, shape (t, 3)
        All points of the edge.
    """

    origins: np.ndarray
    axes: np.ndarray
    names: tuple
    turns: np.ndarray
    edge: np.ndarray

    @property
    def attachment(self) -> int:
        """The motion at which the last long link ends."""
        length = np.linalg.norm(np.diff(self.origins, axis=0), axis=1)
        return int(np.flatnonzero(length >= LINK_SHARE * length.max())[-1]) + 1


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
    to_edge = Chain.compile((*trunk, *target.motions), chain.parameters, chain.sensors,
                            chain.targets)
    posture = to_edge.posture(parameters, HOUSE_PLACEMENT[None], readings, jacobian=False)
    whole = chain.posture(parameters, HOUSE_PLACEMENT[None], readings, jacobian=False)
    points = whole.points(np.array(edges), np.zeros(len(edges), int)).position
    zeros = {s.reading: s.zero for s in chain.sensors}
    names = []
    for motion in to_edge.motions:
        own = [name for name in motion.by if name in chain.parameters]
        names.append(own[0] if own else zeros.get(motion.joint))
    return Skeleton(
        origins=np.vstack([posture.origins[0], points[:1]]),
        axes=posture.axes[0],
        names=tuple(names),
        turns=to_edge.turns,
        edge=points,
    )


def dimensions(figure, document):
    """Dimensioned views: the whole machine from the side, the attachment from three sides."""
    rig, parameters = rig_and_parameters(document)
    readings = rig.chain.readings_for(parameters, drawing_posture(rig))
    bones = skeleton(rig, parameters, readings)
    records = {p.name: p for p in document.parameters}
    start = bones.attachment
    height = figure.bbox.height / figure.dpi
    whole = figure.add_axes([0.02, 1 - 3.0 / height, 0.96, 2.75 / height])
    _view(whole, bones, "side", 0, [i for i in range(len(bones.names)) if i < start], records,
          f"The machine {VIEW_WORDS['side']}")
    below = 0.35 / height, 1 - 3.75 / height
    places = _best_views(bones, start)
    for k, view in enumerate(VIEWS):
        ax = figure.add_axes([0.02 + k * 0.33, below[0], 0.31, below[1]])
        _view(ax, bones, view, start, places[view], records, f"Attachment {VIEW_WORDS[view]}")


def _best_views(bones, start):
    """Each motion of the attachment goes to the view that shows it best."""
    places = defaultdict(list)
    for i in range(start, len(bones.names)):
        axis = np.abs(bones.axes[i])
        if bones.turns[i]:
            view = ("behind", "side", "above")[int(np.argmax(axis))]
        else:
            view = "behind" if np.argmax(axis) == 1 else "side"
        places[view].append(i)
    return places


def _projected(points, view):
    (right, right_sign), (up, up_sign) = VIEWS[view]
    return points[..., right] * right_sign, points[..., up] * up_sign


def _view(ax, bones, view, start, labelled, records, title):
    ax.set_axis_off()
    ax.set_title(title, fontsize=7.5)
    x, y = _projected(bones.origins[start:], view)
    edge_x, edge_y = _projected(bones.edge, view)
    ax.plot(x, y, color=INK, linewidth=2.2, solid_joinstyle="round")
    ax.plot(edge_x, edge_y, color=FLAG, linewidth=3.2)
    ax.plot(x[0], y[0], marker="s", color=INK, markersize=5)
    labels = _labels(bones, view, labelled, records)
    low_x, high_x = min(x.min(), edge_x.min()), max(x.max(), edge_x.max())
    low_y, high_y = min(y.min(), edge_y.min()), max(y.max(), edge_y.max())
    # Labels stand in a column to the right; each is led to the middle of what it names.
    box = ax.get_position()
    figure = ax.figure
    inches = (box.width * figure.bbox.width / figure.dpi, box.height * figure.bbox.height
              / figure.dpi)
    room = 1.3
    scale = max((high_x - low_x) / max(inches[0] - room - 0.2, 0.3),
                (high_y - low_y) / (inches[1] - 0.25), 1e-6)
    middle = (low_y + high_y) / 2
    ax.set_xlim(low_x - 0.1 * scale, low_x - 0.1 * scale + inches[0] * scale)
    ax.set_ylim(middle - inches[1] / 2 * scale, middle + inches[1] / 2 * scale)
    column = low_x + (inches[0] - room) * scale
    labels.sort(key=lambda label: -label[1][1])
    heights = middle + scale * 0.32 * ((len(labels) - 1) / 2 - np.arange(len(labels)))
    for (text, (at_x, at_y), turns), label_y in zip(labels, heights, strict=True):
        ax.plot([at_x, column - 0.05 * scale], [at_y, label_y], color=FAINT, linewidth=0.6)
        ax.plot(at_x, at_y, marker="o" if turns else ".", markersize=5 if turns else 4,
                markerfacecolor="none" if turns else PLAIN, color=PLAIN)
        ax.text(column, label_y, text, fontsize=7, va="center")


def _labels(bones, view, labelled, records):
    labels = []
    for i in labelled:
        record = records.get(bones.names[i])
        if record is None or (record.status == "held" and record.value == 0):
            continue
        at = bones.origins[i] if bones.turns[i] else bones.origins[i : i + 2].mean(0)
        unit, factor = SHOWN[record.unit]
        value, sd = value_and_sd(record.value, record.sd, factor)
        spread = "" if record.sd is None else f" ± {sd}"
        labels.append((f"{record.name}\n{value}{spread} {unit}", _projected(at, view),
                       bones.turns[i]))
    return labels


def signs(figure, document):
    """For every quantity, the rig as solved and with that quantity larger, readings unchanged."""
    _signs(figure, document, 4, (0.15, 0.36))


def signs_small(figure, document):
    """The same, as small as can be read."""
    _signs(figure, document, 7, (0.08, 0.24))


def shown_names(document: ResultRecord) -> list[str]:
    """The quantities that move the edge: what a machine is to be told."""
    rig, parameters = rig_and_parameters(document)
    readings = rig.chain.readings_for(parameters, drawing_posture(rig))
    return [p.name for i, p in enumerate(rig.parameters)
            if _moves_edge(rig, parameters, readings, i)]


def _signs(figure, document, columns, gap):
    rig, parameters = rig_and_parameters(document)
    readings = rig.chain.readings_for(parameters, drawing_posture(rig))
    before = skeleton(rig, parameters, readings)
    names = shown_names(document)
    small = columns > 4
    lattice = Lattice(figure, -(-len(names) // columns), columns, left=0.06, right=0.06,
                      top=0.24 if small else 0.3, bottom=0.14, gap=gap)
    for k, name in enumerate(names):
        i = rig.parameter_names.index(name)
        larger = parameters.copy()
        larger[i] += 0.35 if rig.parameters[i].unit == "m" else np.radians(20.0)
        _sketch(lattice, *divmod(k, columns), name, before, skeleton(rig, larger, readings),
                5.6 if small else 7.5)
    lattice.finish()


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


def _sketch(lattice, row, column, name, before, after, size):
    moved = np.linalg.norm(after.origins - before.origins, axis=1) > 1e-9
    edge_moved = np.linalg.norm(after.edge - before.edge, axis=1).max()
    first = int(np.argmax(moved)) if moved.any() else len(moved) - 1
    start = max(0, min(first - 1, before.attachment))
    start = start if start < before.attachment else before.attachment
    view = _view_of(before, name, np.abs(after.edge - before.edge).max(0))
    (left, bottom), (width, height) = lattice.cell(row, column), lattice.size
    clouds = [_projected(np.vstack([b.origins[start:], b.edge]), view) for b in (before, after)]
    xs, ys = (np.concatenate([c[i] for c in clouds]) for i in (0, 1))
    scale = min(0.92 * width / max(np.ptp(xs), 1e-6), 0.86 * height / max(np.ptp(ys), 1e-6))
    centre = (xs.min() + xs.max()) / 2, (ys.min() + ys.max()) / 2

    def place(points):
        x, y = _projected(points, view)
        return (left + width / 2 + scale * (x - centre[0]),
                bottom + height / 2 + scale * (y - centre[1]))

    ax = lattice.axes
    for bones, colour, style in ((before, FAINT, (0, (3, 1.5))), (after, PLAIN, "-")):
        lattice.line(*place(bones.origins[start:]), colour, 1.3, style)
        lattice.line(*place(bones.edge), colour, 2.6)
    ax.plot(*place(before.origins[start]), marker="s", color=INK, markersize=3.5)
    worst = int(np.argmax(np.linalg.norm(after.edge - before.edge, axis=1)))
    if edge_moved > 0:
        ax.annotate("", place(after.edge[worst]), place(before.edge[worst]),
                    arrowprops={"arrowstyle": "-|>", "color": FLAG, "linewidth": 1.1,
                                "shrinkA": 0, "shrinkB": 0})
    lattice.text(left, bottom + height + 0.06, name, fontsize=size)
    lattice.text(left, bottom - 0.02, VIEW_LABELS[view], fontsize=size - 0.5, va="top")


