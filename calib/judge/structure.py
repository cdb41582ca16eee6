"""What the chain of a rig lets shots tell apart at all, before a machine or a shot is there."""

from dataclasses import dataclass

import numpy as np

from calib.adjust.spectrum import Direction, Spectrum
from calib.calibration import HOUSE_PLACEMENT
from calib.chain.rig import Rig
from calib.chain.sensors import BLIND_GAIN
from calib.layout import RIG, layout_of, placed

#: Random poses: several times what determines the largest rig.
POSES = 60

_TRIES = 40


@dataclass(frozen=True)
class Structure:
    """What random poses of a rig on one stand, its house level, tell apart."""

    #: n_edge, n_all: Parameters estimated when the edge is shot, and when every target is.
    n_edge: int
    n_all: int
    #: by_edge, by_all: What shots of the edge, and of every target, leave undetermined; with the
    #: stand's unknowns.
    by_edge: tuple[Direction, ...]
    by_all: tuple[Direction, ...]
    #: Of the design of all targets, columns scaled; inf if something is undetermined.
    condition: float
    #: The parameters that the rig holds: what each could not be told from if it were estimated too,
    #: when the edge is shot, and when every target is; None if it could.
    held: tuple[tuple[str, Direction | None, Direction | None], ...]


def structure(rig: Rig, rng: np.random.Generator) -> Structure:
    """Look at the derivatives of all targets in random poses within the limits.

    Raises
    ------
    ValueError
        If the limits leave no poses in which the sensors see their joints.
    """
    joints = _joints(rig, rng)
    layout = layout_of(rig, ("",))
    design, names = _design(rig, joints, layout), layout.names
    every, edges = np.arange(len(rig.targets)), np.array(rig.edge_targets, int)
    edge, whole = rig.when_shot(rig.edge_targets), rig.when_shot(every.tolist())

    def spectrum(targets, held):
        free = np.ones(len(layout), bool)
        free[layout.columns(RIG, "")] = ~held
        return (Spectrum.of(design[targets][..., free].reshape(-1, free.sum())),
                np.array(names)[free].tolist())

    by_all, free = spectrum(every, whole.held)
    by_edge, free_by_edge = spectrum(edges, edge.held)

    def freed(i, targets, held):
        with_it, longer = spectrum(targets, held & (np.arange(len(held)) != i))
        return next((d for d in with_it.null_directions(longer) if names[i] in d.names), None)

    held = [(names[i], freed(i, edges, edge.held), freed(i, every, whole.held))
            for i in np.flatnonzero(whole.held)]
    return Structure(int((~edge.held).sum()), int((~whole.held).sum()),
                     by_edge.null_directions(free_by_edge), by_all.null_directions(free),
                     by_all.condition, tuple(held))


def _design(rig, joints, layout):
    """Derivatives of every target in every pose, (n_targets, n_poses, 3, n_unknowns)."""
    noted = _noted(rig, len(joints))
    readings = rig.chain.readings_for(rig.start, joints, noted)
    placement = np.array([3.0, 4.0, 0.5, 1.0])
    count = len(rig.targets)
    points = rig.chain.posture(rig.start, placement, readings, noted=noted).points(
        np.repeat(np.arange(count), len(joints)), np.tile(np.arange(len(joints)), count))
    stand = np.zeros(count * len(joints), int)
    return layout.dense(placed(points, stand)).reshape(count, len(joints), 3, -1)


def _noted(rig, count):
    """What is noted of so many poses: every word of a column with every word of the others."""
    columns, each = {}, 1
    for column in rig.pose_columns:
        columns[column.name] = np.resize(np.repeat(list(column.words.values()), each), count)
        each *= len(column.words)
    return rig.as_noted(columns, count)


def _joints(rig, rng):
    """Joint angles within the limits that the sensors see; what nobody drives is level."""
    low, high = (np.array([getattr(r, end) for r in rig.readings]) for end in ("low", "high"))
    parked = np.array([r.parked for r in rig.readings])
    joints = rng.uniform(low, high, (_TRIES * POSES, len(low)))
    if not parked.all():
        joints[:, parked] = 0.0
    posture = rig.chain.posture(rig.start, HOUSE_PLACEMENT,
                                rig.chain.readings_for(rig.start, joints), jacobian=False)
    told = np.abs(posture.joints - joints).max(1) < 1e-6
    seen = np.flatnonzero(told & (np.abs(posture.gain) < BLIND_GAIN).all(1))
    if len(seen) < POSES:
        raise ValueError("the joints' limits leave next to no poses that all sensors see")
    return joints[seen[:POSES]]
