"""Faults of the field planted in simulated runs by code that knows nothing of the hypotheses.

Each changes the arrays of a run as a person, a logger or a machine would have, and gives a pattern
that the sentence naming it matches.

Some faults no shot can tell apart, or hardly; naming both counts as naming:

- one corner shot too high or the other too low, where edge_skew and edge_drop are taped coarsely;
- a jump or a settling one pose earlier or later, where that pose is insensitive to it;
- a row of readings that stands there twice: it belongs to the shifted rows or to those before;
- international and US survey feet; a swing of the house and a machine tracked to that place;
- corners exchanged in all poses and a negative edge_width, boom and stick exchanged and their
  lengths exchanged, where nothing is taped: then the run fits, and both readings of it are named.
"""

import re
import zlib
from dataclasses import replace

import numpy as np

from calib.chain.rig import rig_from_dict
from calib.report.spoken import spoken
from calib.simulate import simulate

CAREFUL = {
    "template": "tilt_rotator",
    "shots": {"sd": {"east": 0.002, "north": 0.002, "up": 0.002}},
    "readings": {"sd": {"house_pitch": 0.03, "house_roll": 0.03, "boom": 0.05, "stick": 0.05,
                        "coupler": 0.05, "tilt": 0.06, "rotate": 0.10}},
}
DRIVEN = ("boom", "stick", "coupler", "tilt", "rotate")
BUCKET = {"edge_reach": 0.12, "edge_drop": -0.15, "edge_width": -0.3}


def field_run(rng, stands=1, poses=24, **options):
    """A clean run with the poses of a stand together, as they are shot."""
    run, truth = simulate(rig_from_dict(CAREFUL), rng, poses=poses, stands=stands, **options)
    order = np.argsort(run.poses.stand, kind="stable")
    ids = tuple(f"{i + 1:02d}" for i in range(poses))
    poses = replace(run.poses, ids=ids, stand=tuple(run.poses.stand[i] for i in order),
                    readings=run.poses.readings[order], sd=run.poses.sd[order])
    pose = np.argsort(order)[run.shots.pose]
    rows = np.argsort(pose, kind="stable")
    shots = replace(run.shots, pose=pose[rows], target=run.shots.target[rows],
                    position=run.shots.position[rows], covariance=run.shots.covariance[rows],
                    ids=tuple(f"s{i + 1:03d}" for i in range(len(rows))))
    truth = replace(truth, readings=truth.readings[order], positions=truth.positions[rows])
    return replace(run, poses=poses, shots=shots), truth


class Fault:
    """A run being spoilt: arrays to be changed in place, and words that name what was done."""

    def __init__(self, run, truth, rng):
        self.run, self.truth, self.rng = run, truth, rng
        self.readings, self.stand = run.poses.readings.copy(), list(run.poses.stand)
        self.position, self.pose = run.shots.position.copy(), run.shots.pose.copy()
        self.target, self.taped = run.shots.target.copy(), run.tape.value.copy()
        self.ids, self.n = run.poses.ids, len(run.poses.ids)

    def column(self, name):
        return self.run.rig.reading_names.index(name)

    def some(self, names=DRIVEN):
        return str(self.rng.choice(names))

    def swap_corners(self, poses):
        names = self.run.rig.target_names
        left, right = names.index("edge_left"), names.index("edge_right")
        mask = np.isin(self.run.shots.pose, poses)
        was = self.target.copy()
        self.target[mask & (was == left)] = right
        self.target[mask & (was == right)] = left

    def done(self):
        run = self.run
        return replace(
            run, poses=replace(run.poses, readings=self.readings, stand=tuple(self.stand)),
            shots=replace(run.shots, position=self.position, pose=self.pose, target=self.target),
            tape=replace(run.tape, value=self.taped))


# Each fault changes the arrays and returns a pattern that the right sentence matches.

def feet(f):
    f.position /= 0.3048
    return r"shots are in .*feet"


def axes(f):
    f.position[:, :2] = f.position[:, 1::-1]
    return "North and east are swapped"


def heights_sign(f):
    f.position[:, 2] *= -1
    return "heights of all shots have the wrong sign"


def columns(f):
    a, b = f.rng.choice(DRIVEN, 2, replace=False)
    i, j = sorted((f.column(a), f.column(b)))
    f.readings[:, [i, j]] = f.readings[:, [j, i]]
    a, b = (f.run.rig.reading_names[k] for k in (i, j))
    return f"columns {a} and {b} are exchanged"


def sign(f):
    name = f.some()
    f.readings[:, f.column(name)] *= -1
    return rf"sign of the reading {name} is wrong\."


def two_signs(f):
    j = f.column(f.some(DRIVEN[:-1]))
    f.readings[:, [j, j + 1]] *= -1
    a, b = (f.run.rig.reading_names[k] for k in (j, j + 1))
    return rf"signs of the readings {a} and {b} are wrong\."


def corners_all(f):
    f.swap_corners(range(f.n))
    return "Left and right corners are exchanged in all poses"


def _corners_in(f, count):
    poses = np.sort(f.rng.choice(f.n, count, replace=False))
    f.swap_corners(poses)
    listed = ", ".join(f.ids[p] for p in poses)
    return rf"corners are exchanged in .*poses {listed}\b"


def corners_3(f):
    return _corners_in(f, 3)


def corners_8(f):
    return _corners_in(f, 8)


def corners_16(f):
    return _corners_in(f, 16)


def corners_from_12(f):
    f.swap_corners(range(11, f.n))
    return r"corners are exchanged from pose 12 on|corners are exchanged in .*poses 12, 13, 14"


def rows_from_12(f):
    f.readings[11:] = f.readings[10:-1].copy()
    return r"from pose 12 on.*readings are shifted|readings are shifted.*from pose 12 on"


def rows_last_4(f):
    k = f.n - 4  # a row that stands there twice fits as part of either run of rows
    f.readings[k:] = f.readings[k - 1:-1].copy()
    return rf"readings are shifted.*from pose {f.ids[k]} on"


def column_late(f):
    name = f.some()
    j = f.column(name)
    f.readings[1:, j] = f.readings[:-1, j].copy()
    return f"column {name} is shifted by one pose"


def rows_all(f):
    f.readings = np.roll(f.readings, 1, axis=0)
    return "readings are shifted by one pose"


def tape_ten(f):
    long = [i for i, (q, u) in enumerate(zip(f.run.tape.quantities, f.run.tape.unit, strict=True))
            if u == "m" and abs(f.taped[i]) > 0.3]
    row, factor = f.rng.choice(long), f.rng.choice([0.1, 10.0])
    f.taped[row] *= factor
    return f"taped {spoken(f.run.tape.quantities[row])} is a decimal place"


def pole_20mm(f):
    target = f.rng.choice(np.unique(f.target))
    f.position[f.target == target, 2] += 0.020 * f.rng.choice([-1, 1])
    return f"shots at {spoken(f.run.rig.target_names[target])} are (2.|1[5-9]) mm too"


def zero_jump(f):
    name, k = f.some(), int(f.rng.integers(8, f.n - 7))
    f.readings[k:, f.column(name)] += np.radians(1.0) * f.rng.choice([-1, 1])
    f.allowed = [f.ids[p] for p in (k - 1, k, k + 1)]
    return rf"zero of the reading {name} shifted .* between poses .* ({'|'.join(f.allowed)})\b"


def settled(f):
    k = int(f.rng.integers(8, f.n - 7))
    f.position[np.isin(f.pose, range(k, f.n)), 2] -= 0.010
    near = "|".join(f.ids[p] for p in (k - 1, k, k + 1))
    return rf"settled.* between poses .* and ({near})\b"


def other_bucket(f):
    k = int(f.rng.integers(8, f.n - 7))
    rig = f.run.rig
    parameters = f.truth.parameters.copy()
    for name, change in BUCKET.items():
        parameters[rig.parameter_names.index(name)] += change
    later = np.isin(f.pose, range(k, f.n))
    placement = f.truth.placements[[int(s[1:]) - 1 for s in f.run.poses.stand]]

    def places(values):
        posture = rig.chain.posture(values, placement, f.truth.readings, jacobian=False)
        return posture.points(f.target, f.pose).position

    f.position[later] += (places(parameters) - places(f.truth.parameters))[later]
    return rf"another bucket.*pose {f.ids[k]} on|another bucket up to pose {f.ids[k - 1]}"


def gain(f):
    name = f.some()
    f.readings[:, f.column(name)] *= 1 + 0.05 * f.rng.choice([-1, 1])
    return f"{name} sensor shows .* % too (much|little)"


def radians(f):
    name = f.some()
    j = f.column(name)
    f.readings[:, j] = np.radians(f.readings[:, j])
    return f"reading {name} is in radians"


def gon(f):
    name = f.some()
    f.readings[:, f.column(name)] *= 400 / 360
    return f"reading {name} is in gon"


def _scaled(f, factor):
    f.position = f.position.mean(0) + factor * (f.position - f.position.mean(0))
    return "All shots share a scale"


def scale_2_in_1000(f):
    return _scaled(f, 1.002)


def scale_5_in_1000(f):
    return _scaled(f, 1.005)


def moved(f):
    k = int(f.rng.integers(8, f.n - 7))
    later = np.isin(f.pose, range(k, f.n))
    a = f.rng.uniform(-1, 1)
    turn = np.array([[np.cos(a), np.sin(a), 0], [-np.sin(a), np.cos(a), 0], [0, 0, 1]])
    middle = f.position[later].mean(0)
    step = np.append(f.rng.uniform(-4, 4, 2), f.rng.normal(0, 0.1))
    f.position[later] = middle + (f.position[later] - middle) @ turn + step
    return f"machine moved between poses {f.ids[k - 1]} and {f.ids[k]}"


def exchanged(f):
    a, b = sorted(f.rng.choice(f.n, 2, replace=False))
    f.readings[[a, b]] = f.readings[[b, a]]
    return f"[Pp]oses {f.ids[a]} and {f.ids[b]} are exchanged"


def pole_of_a_pose(f):
    p = int(f.rng.integers(f.n))
    f.position[f.pose == p, 2] += f.rng.uniform(0.1, 2.0)
    return f"heights of the shots of pose {f.ids[p]} are"


def quarter(f):
    name = f.some()
    j = f.column(name)
    f.readings[:, j] += np.pi / 2 * f.rng.choice([1, 2, -1])
    f.readings[:, j] = np.angle(np.exp(1j * f.readings[:, j]))
    return f"zero of the reading {name} is off by"


def bad_shots(f):
    rows = f.rng.choice(len(f.position), 3, replace=False)
    f.position[rows] += f.rng.choice([-1, 1], (3, 3)) * f.rng.uniform(0.05, 0.3, (3, 3))
    each = ")(?=.*".join(f.run.shots.ids[r] for r in rows)
    return rf"[Ss]ingle values are wrong: (?=.*{each})"


def shuffled(f):
    """Five rows of readings in a random order: the poses that are wrong, and no others."""
    rows = f.rng.choice(f.n, 5, replace=False)
    order = f.rng.permutation(rows)
    f.readings[rows] = f.readings[order]
    wrong = "|".join(f.ids[p] for p, q in zip(rows, order, strict=True) if p != q)
    return (rf"^Single values are wrong: (pose:({wrong})(, )?)+;|"
            rf"[Pp]oses ({wrong}) and ({wrong}) are exchanged")


# Kinds that have no name here: nothing may be claimed, and the tool is to say it does not know.

def hysteresis(f):
    """A sensor that shows 1.5 deg more or less by the direction it came from."""
    f.readings[:, f.column(f.some())] += np.radians(1.5) * f.rng.choice([-1, 1], f.n)


def wavy(f):
    """A sensor with a third-harmonic error of 4 deg."""
    j = f.column(f.some())
    f.readings[:, j] += np.radians(4) * np.sin(3 * f.readings[:, j] + f.rng.uniform(0, 6))


def noisy(f):
    """Every shot ten times worse than stated."""
    f.position += f.rng.normal(0, 0.02, f.position.shape)


def nothing(f):
    """A clean run."""


SINGLES = (
    feet, axes, heights_sign, columns, sign, two_signs, corners_all, corners_3, corners_8,
    corners_16, corners_from_12, rows_from_12, rows_last_4, rows_all, column_late, tape_ten,
    pole_20mm, zero_jump, settled, other_bucket, gain, radians, gon,
    scale_2_in_1000, scale_5_in_1000, moved, exchanged,
    pole_of_a_pose, quarter, bad_shots, shuffled,
)
NAMELESS = (hysteresis, wavy, noisy, nothing)
PAIRS = (
    (feet, sign), (sign, quarter), (columns, corners_all), (axes, rows_all), (feet, columns),
    (sign, pole_of_a_pose), (tape_ten, sign), (zero_jump, corners_3), (moved, sign),
    (corners_from_12, gon), (columns, pole_20mm), (sign, bad_shots),
)


def planted(faults, seed):
    """The spoilt run and the patterns that name what was done to it."""
    rng = np.random.default_rng([seed, zlib.crc32("+".join(x.__name__ for x in faults).encode())])
    two = any(fault not in (settled, moved) for fault in faults) and rng.random() < 0.4
    run, truth = field_run(rng, 2 if two and moved not in faults and settled not in faults else 1)
    fault = Fault(run, truth, rng)
    patterns = [pattern for x in faults if (pattern := x(fault)) is not None]
    return fault.done(), patterns


def outcome(document, patterns):
    """How a diagnosis does against the patterns of what is really wrong."""
    if document.fits:
        return "clean" if not patterns else "missed"
    claim = document.mistake.says if document.mistake else None
    if claim is None and document.says.startswith("Single values are wrong"):
        claim = document.says
    rivals = [r.says for r in document.cannot_be_told_from]
    part = document.part
    if claim is not None:
        if patterns and all(re.search(p, claim) for p in patterns):
            return "first"
        if patterns and any(all(re.search(p, r) for p in patterns) for r in rivals):
            return "rival"
        return "false"
    if part is not None:
        return "part" if any(re.search(p, part.says) for p in patterns) else "false part"
    return "unknown"


#: What a diagnosis can be.
COLUMNS = ("first", "rival", "part", "false", "false part", "unknown", "missed", "clean")
