"""Field mistakes planted in simulated runs: what was done, and what should be named."""

from dataclasses import replace

import numpy as np

from calib.report.spoken import spoken
from calib.simulate import simulate

#: Readings whose sign or zero the shots can see; the pitch of the house changes next to nothing,
#: because the boom has an inclinometer of its own.
SEEN = ("house_roll", "boom", "stick", "coupler", "tilt", "rotate")


def simulated(rig, rng, stands=1, poses=24):
    """A clean run whose stands follow one another, as in the field."""
    run, _ = simulate(rig, rng, poses=poses, stands=stands)
    order = np.argsort(run.poses.stand, kind="stable")
    ids = tuple(f"{i + 1:02d}" for i in range(len(order)))
    poses = replace(run.poses, ids=ids, stand=tuple(run.poses.stand[i] for i in order),
                    readings=run.poses.readings[order], sd=run.poses.sd[order])
    pose = np.argsort(order)[run.shots.pose]
    rows = np.argsort(pose, kind="stable")
    shots = run.shots
    names = tuple(f"{ids[pose[i]]}-{rig.target_names[shots.target[i]]}" for i in rows)
    shots = replace(shots, ids=names, pose=pose[rows], target=shots.target[rows],
                    position=shots.position[rows], covariance=shots.covariance[rows])
    return replace(run, poses=poses, shots=shots)


def shots(run, **changes):
    return replace(run, shots=replace(run.shots, **changes))


def readings(run, values):
    return replace(run, poses=replace(run.poses, readings=values))


def labels(run, stand):
    return replace(run, poses=replace(run.poses, stand=tuple(stand)))


def turned(points, about, angle):
    """Points turned by `angle` (rad, clockwise seen from above) about a vertical axis."""
    c, s = np.cos(angle), np.sin(angle)
    matrix = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    return about + (points - about) @ matrix.T


def axes(run, rng):
    return shots(run, position=run.shots.position[:, [1, 0, 2]]), "axes", "North and east"


def heights_inverted(run, rng):
    return shots(run, position=run.shots.position * [1, 1, -1]), "heights", "wrong sign"


def heights_missing(run, rng):
    return shots(run, position=run.shots.position * [1, 1, 0]), "heights", "missing"


def international_feet(run, rng):
    return shots(run, position=run.shots.position / 0.3048), "units", "feet"


def us_survey_feet(run, rng):
    return shots(run, position=run.shots.position * 3937 / 1200), "units", "feet"


def _other(run, mask):
    names = run.rig.target_names
    left, right = names.index("edge_left"), names.index("edge_right")
    target = run.shots.target
    exchanged = np.where(target == left, right, np.where(target == right, left, target))
    return shots(run, target=np.where(mask, exchanged, target))


def corners(run, rng):
    return _other(run, True), "corners", "all poses"


def corners_of_a_pose(run, rng):
    p = rng.integers(len(run.poses.ids))
    return _other(run, run.shots.pose == p), "corners, in part", f"pose {run.poses.ids[p]}"


def sign(run, rng):
    reading = rng.choice(SEEN)
    j = run.rig.reading_names.index(reading)
    values = run.poses.readings.copy()
    values[:, j] *= -1
    return readings(run, values), "sign", reading


def zero(run, rng):
    reading = rng.choice(SEEN)
    j, quarter = run.rig.reading_names.index(reading), rng.integers(1, 4)
    values = run.poses.readings.copy()
    values[:, j] = np.mod(values[:, j] + quarter * np.pi / 2 + np.pi, 2 * np.pi) - np.pi
    off = {1: "+90", 2: "180", 3: "-90"}[int(quarter)]
    return readings(run, values), "zero", f"{reading} is off by {off}"


def shift(run, rng):
    by = int(rng.choice([-1, 1]))
    values = np.roll(run.poses.readings, by, axis=0)
    return readings(run, values), "shift", "before" if by == 1 else "after"


def exchanged(run, rng):
    a, b = sorted(rng.choice(len(run.poses.ids), 2, replace=False))
    pose = run.shots.pose
    swapped = np.where(pose == a, b, np.where(pose == b, a, pose))
    ids = run.poses.ids
    return shots(run, pose=swapped), "exchanged poses", f"{ids[a]} and {ids[b]} are"


def _later(run, rng):
    """Poses of one stand after some moment, its machine's place and heading not needed."""
    stand = rng.choice(sorted(set(run.poses.stand)))
    here = [p for p, s in enumerate(run.poses.stand) if s == stand]
    k = int(rng.integers(3, len(here) - 3))
    return here, k, np.isin(run.shots.pose, here[k:])


def moved(run, rng):
    here, k, later = _later(run, rng)
    points = run.shots.position.copy()
    step = np.append(rng.uniform(-4, 4, 2), rng.normal(0, 0.1))
    points[later] = turned(points[later], points[later].mean(0), rng.uniform(-1, 1)) + step
    ids = run.poses.ids
    return shots(run, position=points), "moved", f"{ids[here[k - 1]]} and {ids[here[k]]}"


def late_label(run, rng):
    """The machine had moved to the second stand some poses before the label changed."""
    first = [p for p, s in enumerate(run.poses.stand) if s == "S1"]
    second = [p for p, s in enumerate(run.poses.stand) if s == "S2"]
    k = int(rng.integers(2, 5))
    stand = list(run.poses.stand)
    for p in second[:k]:
        stand[p] = "S1"
    assert first and len(second) > k + 1
    ids = run.poses.ids
    return labels(run, stand), "late label", f"{ids[second[0]]} to {ids[second[k - 1]]}"


def stand_of_a_pose(run, rng):
    p = int(rng.integers(len(run.poses.ids)))
    stand = list(run.poses.stand)
    stand[p] = "S2" if stand[p] == "S1" else "S1"
    return labels(run, stand), "stand of a pose", f"Pose {run.poses.ids[p]}"


def swung(run, rng, truth_placement):
    """The house turns about an axis behind the foot; the tracks stay."""
    here, k, later = _later(run, rng)
    east, north, up, heading = truth_placement(run, run.poses.stand[here[0]])
    behind = rng.uniform(0.2, 0.8)
    axis = np.array([east - behind * np.sin(heading), north - behind * np.cos(heading), up])
    angle = rng.choice([-1, 1]) * rng.uniform(0.05, 1.0)
    points = run.shots.position.copy()
    points[later] = turned(points[later], axis, angle)
    ids = run.poses.ids
    return shots(run, position=points), "swung", f"{ids[here[k - 1]]} and {ids[here[k]]}"


def pole_height(run, rng):
    """From some pose on a pole of 1.3 to 2 m is not taken off."""
    here, k, later = _later(run, rng)
    points = run.shots.position.copy()
    points[later, 2] += rng.uniform(1.3, 2.0)
    ids = run.poses.ids
    return shots(run, position=points), "pole height", f"{ids[here[k]]} to {ids[here[-1]]}"


def pole_height_of_a_pose(run, rng):
    p = int(rng.integers(len(run.poses.ids)))
    points = run.shots.position.copy()
    points[run.shots.pose == p, 2] += rng.uniform(0.1, 2.0)
    return shots(run, position=points), "pole height", f"pose {run.poses.ids[p]}"


def pole_height_at_a_target(run, rng):
    t = int(rng.choice(np.unique(run.shots.target)))
    points = run.shots.position.copy()
    points[run.shots.target == t, 2] += rng.uniform(0.1, 2.0)
    return shots(run, position=points), "pole height", spoken(run.rig.target_names[t])


def _tape(run, rng, factors, unit):
    rows = [i for i, u in enumerate(run.tape.unit)
            if u == unit and abs(run.tape.value[i]) > 6 * run.tape.sd[i]]
    row, factor = int(rng.choice(rows)), float(rng.choice(factors))
    value = run.tape.value.copy()
    value[row] *= factor
    name = run.tape.quantities[row]
    return replace(run, tape=replace(run.tape, value=value)), "tape", f"taped {spoken(name)} is"


def tape_decimal(run, rng):
    return _tape(run, rng, [10.0, 0.1], "m")


def tape_unit(run, rng):
    return _tape(run, rng, [1 / 0.3048, 0.3048, 1000.0, 1 / 0.0254], "m")


MISTAKES = (
    axes, heights_inverted, heights_missing, international_feet, us_survey_feet, corners,
    corners_of_a_pose, sign, zero, shift, exchanged, moved, late_label, stand_of_a_pose, swung,
    pole_height, pole_height_of_a_pose, pole_height_at_a_target, tape_decimal, tape_unit,
)

#: These need a second stand.
TWO_STANDS = (late_label, stand_of_a_pose)


def plant(mistake, rig, seed):
    """A simulated run with one mistake, the family to be named and words of its sentence."""
    rng = np.random.default_rng(seed)
    stands = 2 if mistake in TWO_STANDS else int(rng.integers(1, 3))
    run = simulated(rig, rng, stands)
    if mistake is swung:
        return swung(run, rng, solved_placement)
    return mistake(run, rng)


def solved_placement(run, stand):
    """Where a clean run says its stand is."""
    from calib.calibration import solve

    solution = solve(run)
    return solution.stands[solution.problem.stands.index(stand)]
