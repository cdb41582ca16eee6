"""Runs with known truth: for learning, for testing, and to see what a plan would give."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calib.calibration import HOUSE_PLACEMENT
from calib.chain.rig import Rig
from calib.chain.sensors import BLIND_GAIN
from calib.run.records import Poses, Run, Shots, Tape

#: How far the true machine lies from the template, 1 sd: m for lengths, rad for angles.
TRUE_SPREAD = {"m": 0.02, "deg": np.radians(2.0)}

#: How far from level a machine parks, and how much it rocks from pose to pose, 1 sd, rad.
PARKED_SPREAD, ROCKING = np.radians(1.0), np.radians(0.1)

#: The edge stays this far ahead of the boom foot and within these heights of it, m.
LEAST_AHEAD, LOWEST, HIGHEST = 2.5, -1.6, 4.0


@dataclass(frozen=True)
class Truth:
    """What a simulated run was made from.

    Attributes
    ----------
    parameters : ndarray, shape (n_parameters,)
    placements : ndarray, shape (n_stands, 4)
    readings : ndarray, shape (n_poses, n_readings)
        Without error, rad.
    positions : ndarray, shape (n_shots, 3)
        Of the shots, without error, m.
    gross : dict of str to ndarray
        Shot id to the error planted in it, m.
    """

    parameters: np.ndarray
    placements: np.ndarray
    readings: np.ndarray
    positions: np.ndarray
    gross: dict[str, np.ndarray]


def simulate(
    rig: Rig, rng: np.random.Generator, *,
    poses: int = 24, stands: int = 1, targets: Sequence[str] = ("edge_left", "edge_right"),
    check_poses: int = 0, gross_errors: int = 0, gross_size: tuple[float, float] = (0.05, 0.15),
    parameters: np.ndarray | None = None, joints: np.ndarray | None = None,
    stand: np.ndarray | None = None, shots: np.ndarray | None = None,
    taped: bool = True, noted: np.ndarray | None = None,
) -> tuple[Run, Truth]:
    """Draw a machine, a run over it and its tape.

    Parameters
    ----------
    rig : Rig
        With sds for shots and every reading.
    rng : numpy Generator
    poses, stands, check_poses, gross_errors : int
        Check poses belong to the last stand.
    targets : sequence of str
        What is shot.
    gross_size : (float, float)
        Least and largest length of a gross error, m; its direction is random.
    parameters : ndarray, shape (n_parameters,), optional
        The true machine; drawn around the template if not given.
    joints : ndarray, shape (poses + check_poses, n_readings), optional
        Joint angles, rad; drawn within the limits if not given. What nobody drives is drawn where
        it is NaN.
    stand : ndarray of int, shape (poses,), optional
        The stand of each pose; dealt in turn if not given.
    shots : ndarray of bool, shape (poses + check_poses, n_targets), optional
        Which of `targets` are shot in which pose; all if not given.
    taped : bool
        Whether free parameters that are usually taped have a tape value.
    noted : ndarray, shape (poses + check_poses, n_pose_columns), optional
        What is noted of each pose; drawn if not given.

    Returns
    -------
    Run, Truth
    """
    if rig.shot_sd is None or any(r.sd is None for r in rig.readings):
        raise ValueError("a simulated run needs the sd of shots and of every reading in the rig")
    index = [rig.target_names.index(name) for name in targets]
    rig = rig.when_shot(index)
    truth = drawn_parameters(rig, rng) if parameters is None else np.asarray(parameters, float)
    stand = np.arange(poses) % stands if stand is None else np.asarray(stand, int)
    stand = np.append(stand, np.full(check_poses, stands - 1))
    joints = _given_or_drawn(rig, truth, stand, joints, rng)
    shots = np.ones((len(stand), len(index)), bool) if shots is None else shots
    pose, place = np.nonzero(shots)
    notes = drawn_notes(rig, len(joints), rng) if noted is None else {
        c.name: noted[:, rig.pose_columns.index(c)] for c in rig.needed_columns}
    run, truth = _shot(rig, truth, joints, stand, pose, np.array(index)[place], notes, rng)
    run, gross = _spoilt(run, np.flatnonzero(pose < poses), gross_errors, gross_size, rng)
    used, booked = pose < poses, run.shots
    run = replace(run, shots=booked.select(used), poses=_left_empty(run, stand, poses),
                  check=booked.select(~used) if check_poses else None,
                  tape=_taped(rig, truth.parameters, rng) if taped else Tape.none())
    return run, replace(truth, positions=truth.positions[used], gross=gross)


def _given_or_drawn(rig, truth, stand, joints, rng):
    """Joint angles of every pose; those that nobody drives drawn where they are not given."""
    if joints is None:
        return drawn_joints(rig, truth, len(stand), rng, _parked(rig, stand, rng))
    open_ = np.isnan(joints)
    if not open_.any():
        return joints
    joints = np.where(open_, _parked(rig, stand, rng), joints)
    low, high = (np.array([getattr(r, end) for r in rig.readings]) for end in ("low", "high"))
    swung = np.isnan(joints)
    return np.where(swung, rng.uniform(low, high, joints.shape), joints) if swung.any() else joints


def _shot(rig, truth, joints, stand, pose, target, noted, rng):
    """A run of shots and its truth, without gross errors and without tape."""
    stands = int(stand.max()) + 1
    placements = np.column_stack([
        rng.uniform(-20, 20, (stands, 2)), rng.normal(0, 0.5, stands),
        rng.uniform(0, 2 * np.pi, stands),
    ])
    as_noted = rig.as_noted(noted, len(joints))
    readings = rig.chain.readings_for(truth, joints, as_noted)
    poses = replace(_read(rig, readings, stand, rng), noted=noted)
    posture = rig.chain.posture(truth, placements[stand], readings, False, as_noted)
    exact = posture.points(target, pose).position
    measured = exact + rng.normal(0, 1, exact.shape) * rig.shot_sd
    run = Run(folder=Path(), rig=rig, poses=poses, check=None, tape=Tape.none(), files={},
              shots=_booked(rig, poses, pose, target, measured))
    return run, Truth(truth, placements, readings, exact, {})


def _spoilt(run, rows, count, size, rng):
    """A run with gross errors planted in some of its shots, and those by shot id."""
    chosen, directions = rng.choice(rows, count, replace=False), rng.normal(0, 1, (count, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    errors = rng.uniform(*size, count)[:, None] * directions
    position = run.shots.position.copy()
    position[chosen] += errors
    shots = replace(run.shots, position=position)
    ids = [shots.ids[row] for row in chosen]
    return replace(run, shots=shots), dict(zip(ids, errors, strict=True))


def _read(rig, readings, stand, rng):
    """The poses as the sensors tell them."""
    sd, count = np.array([r.sd for r in rig.readings]), len(readings)
    return Poses(
        ids=tuple(f"{i + 1:02d}" for i in range(count)),
        stand=tuple(f"S{s + 1}" for s in stand),
        readings=readings + rng.normal(0, 1, readings.shape) * sd,
        sd=np.tile(sd, (count, 1)),
        time=(None,) * count,
        line=tuple(range(2, count + 2)),
    )


def _left_empty(run, stand, poses):
    """The poses of a run, the first so many without the readings that may be left empty.

    The first pose of each stand and those of check shots have them.
    """
    read = ~(np.arange(len(stand)) < poses)
    read[np.unique(stand, return_index=True)[1]] = True
    empty = np.array([r.optional for r in run.rig.readings]) & ~read[:, None]
    return replace(run.poses, readings=np.where(empty, 0.0, run.poses.readings),
                   sd=np.where(empty, np.inf, run.poses.sd))


def _booked(rig, poses, pose, target, measured):
    """The shots with ids made of pose and target."""
    ids = (f"{poses.ids[p]}-{rig.target_names[t]}" for p, t in zip(pose, target, strict=True))
    return Shots(
        ids=tuple(ids),
        pose=pose,
        target=target,
        position=measured,
        covariance=np.tile(np.diag(rig.shot_sd**2), (len(pose), 1, 1)),
        time=(None,) * len(pose),
        line=tuple(range(2, len(pose) + 2)),
    )


def drawn_parameters(rig: Rig, rng: np.random.Generator) -> np.ndarray:
    """A true machine: the template's values plus a draw for every free parameter."""
    spread = np.array([0.0 if p.held else TRUE_SPREAD[p.unit] for p in rig.parameters])
    return rig.start + rng.normal(0, 1, len(spread)) * spread


def drawn_notes(rig: Rig, count: int, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """What is noted of so many poses, each word as often as another, by column that is needed."""
    return {c.name: rng.permutation(np.resize(list(c.words.values()), count).astype(float))
            for c in rig.needed_columns}


def drawn_joints(
    rig: Rig, parameters: np.ndarray, count: int, rng: np.random.Generator,
    parked: np.ndarray | None = None,
) -> np.ndarray:
    """Joint angles within the limits with the edge in the open and no sensor blind.

    Parameters
    ----------
    parked : ndarray, shape (count, n_readings), optional
        Joint angles that are given, rad; NaN where one is to be drawn.

    Returns
    -------
    ndarray, shape (count, n_readings), rad

    Raises
    ------
    ValueError
        If the limits leave next to nothing to draw from.
    """
    low = np.array([r.low for r in rig.readings])
    high = np.array([r.high for r in rig.readings])
    parked = np.full((count, len(low)), np.nan) if parked is None else parked
    joints, missing = np.empty((count, len(low))), np.arange(count)
    for _ in range(200):
        tries = rng.uniform(low, high, (len(missing), 20, len(low)))
        given = np.isfinite(parked[missing])[:, None, :]
        tries = np.where(given, parked[missing][:, None, :], tries)
        possible = _possible(rig, parameters, tries.reshape(-1, len(low))).reshape(-1, 20)
        found = possible.any(1)
        joints[missing[found]] = tries[found, possible[found].argmax(1)]
        missing = missing[~found]
        if not len(missing):
            return joints
    raise ValueError(f"the joints' limits leave no pose for {len(missing)} of {count}")


def _parked(rig, stand, rng):
    """The joints that nobody drives, the house's pitch and roll: nearly those of the stand."""
    fixed = [i for i, r in enumerate(rig.readings) if r.parked]
    of_stand = rng.normal(0, PARKED_SPREAD, (stand.max() + 1, len(fixed)))
    parked = np.full((len(stand), len(rig.readings)), np.nan)
    parked[:, fixed] = of_stand[stand] + rng.normal(0, ROCKING, (len(stand), len(fixed)))
    return parked


def _possible(rig, parameters, joints):
    # Wherever the house is swung to, its own front is ahead.
    joints = np.where([r.kind == "slew" for r in rig.readings], 0.0, joints)
    readings = rig.chain.readings_for(parameters, joints)
    posture = rig.chain.posture(parameters, HOUSE_PLACEMENT, readings, jacobian=False)
    edges = np.array(rig.edge_targets)
    points = posture.points(np.repeat(edges, len(joints)), np.tile(np.arange(len(joints)),
                                                                   len(edges))).position
    points = points.reshape(len(edges), len(joints), 3)
    in_the_open = (
        (points[..., 0] > LEAST_AHEAD) & (points[..., 2] > LOWEST) & (points[..., 2] < HIGHEST)
    ).all(0)
    told = np.abs(posture.joints - joints).max(1) < 1e-6
    # Well within what the sensors see, as the solved machine will not be exactly this one.
    seen = (np.abs(posture.gain) < 0.75 * BLIND_GAIN).all(1)
    return in_the_open & told & seen


def _taped(rig, truth, rng):
    rows = [i for i, p in enumerate(rig.parameters) if p.tape_sd is not None and not p.held]
    sd = np.array([rig.parameters[i].tape_sd for i in rows])
    return Tape(
        quantities=tuple(rig.parameters[i].name for i in rows),
        value=truth[rows] + rng.normal(0, 1, len(rows)) * sd,
        sd=sd,
        unit=tuple(rig.parameters[i].unit for i in rows),
        line=tuple(range(2, len(rows) + 2)),
    )
