"""Typing faults planted by hand: in the text of the fields, as fingers make them.

Nothing here uses the hypotheses of `calib.confirm`, nor the way from a list of entries to a
machine: fields are filled and read by formulas of their own.
"""

from dataclasses import dataclass

import numpy as np

from calib.calibration import HOUSE_PLACEMENT
from calib.chain.rig import Rig
from calib.run.shown import Shown

#: The fields of the shipped example by hand: name, decimals, and what is in it of a machine in mm
#: and deg.
FIELDS = (
    ("Main boom, pin to pin", 0, lambda m: m["boom_length"]),
    ("Dipper, pin to pin", 0, lambda m: m["stick_length"]),
    ("Coupler pin to tilt shaft, down", 0, lambda m: m["tilt_axis_drop"]),
    ("Coupler pin to turning shaft, back", 0, lambda m: -m["rotation_axis_ahead"]),
    ("Turning shaft beside tilt shaft", 0, lambda m: m["rotation_axis_side"]),
    ("Tilt shaft to middle of edge, down", 0, lambda m: m["edge_drop"]),
    ("Turning shaft to middle of edge, out", 0, lambda m: m["edge_reach"]),
    ("Middle of edge, off to the right", 0, lambda m: -m["edge_side"]),
    ("Edge, corner to corner", 0, lambda m: m["edge_width"]),
    ("Edge, slant", 2, lambda m: m["edge_skew"]),
    ("Boom sensor, mounted at", 2, lambda m: -m["boom_zero"]),
    ("Dipper sensor less boom sensor", 2, lambda m: m["stick_zero"] - m["boom_zero"]),
    ("Coupler sensor, mounted at", 2, lambda m: -m["coupler_zero"]),
    ("Tilt sensor, mounted at", 2, lambda m: -m["tilt_zero"]),
    ("Turning sensor, at straight ahead", 2, lambda m: 180 + m["rotate_zero"]),
)
LENGTHS, ANGLES = range(9), range(9, 15)


def machine_of(texts, otherwise):
    """The machine, mm and deg, that a system makes of the texts in its fields."""
    f = [float(t) for t in texts]
    return otherwise | {
        "boom_length": f[0], "stick_length": f[1], "tilt_axis_drop": f[2],
        "rotation_axis_ahead": -f[3], "rotation_axis_side": f[4], "edge_drop": f[5],
        "edge_reach": f[6], "edge_side": -f[7], "edge_width": f[8], "edge_skew": f[9],
        "boom_zero": -f[10], "stick_zero": f[11] - f[10], "coupler_zero": -f[12],
        "tilt_zero": -f[13], "rotate_zero": f[14] - 180,
    }


def in_si(rig: Rig, machine) -> np.ndarray:
    """Parameters in m and rad."""
    return np.array([np.radians(machine[p.name]) if p.unit == "deg" else machine[p.name] / 1000
                     for p in rig.parameters])


@dataclass(frozen=True)
class World:
    """A machine as solved, as it was taped before, and as its fields have the two."""

    rig: Rig
    solved: dict
    texts: tuple[str, ...]
    old: tuple[str, ...]
    start: tuple[str, ...]
    sd: tuple[str, ...]


def world(rig: Rig, rng: np.random.Generator) -> World:
    """An invented machine near the template, and careless taping of it."""
    solved, old, start = {}, {}, {}
    for p in rig.parameters:
        unit = np.degrees(1.0) if p.unit == "deg" else 1000.0
        start[p.name] = unit * p.start
        free = not p.held
        spread = 2.0 if p.unit == "deg" else 40.0
        solved[p.name] = unit * p.start + free * rng.normal(0, spread)
        old[p.name] = solved[p.name] + free * rng.normal(0, 3 * unit * (p.tape_sd or 0.0))
    written = [tuple(f"{of(m):.{decimals}f}" for _, decimals, of in FIELDS)
               for m in (solved, old, start)]
    sd = tuple(f"{rng.uniform(0.4, 4):.1f}" if i in LENGTHS else f"{rng.uniform(0.02, 0.1):.2f}"
               for i in range(len(FIELDS)))
    return World(rig, solved, *written, sd)


def any_field(w, rng, fields=None):
    return int(rng.choice(list(range(len(FIELDS)) if fields is None else fields)))


def one(w, i, text):
    """The texts with another in field i."""
    return (*w.texts[:i], text, *w.texts[i + 1:])


def minus(text):
    return text[1:] if text.startswith("-") else f"-{text}"


def digits(text):
    return [k for k, c in enumerate(text) if c.isdigit()]


def exchanged_digits(w, rng):
    i = any_field(w, rng)
    text, places = w.texts[i], digits(w.texts[i])
    if len(places) < 2:
        return None
    at = int(rng.integers(len(places) - 1))
    a, b = places[at], places[at + 1]
    cells = list(text)
    cells[a], cells[b] = cells[b], cells[a]
    return one(w, i, "".join(cells))


def wrong_digit(w, rng):
    i = any_field(w, rng)
    k = int(rng.choice(digits(w.texts[i])))
    return one(w, i, w.texts[i][:k] + str(rng.integers(10)) + w.texts[i][k + 1:])


def digit_left_out(w, rng):
    i = any_field(w, rng)
    if len(digits(w.texts[i])) < 2:
        return None
    k = int(rng.choice(digits(w.texts[i])))
    return one(w, i, w.texts[i][:k] + w.texts[i][k + 1:])


def digit_twice(w, rng):
    i = any_field(w, rng)
    k = int(rng.choice(digits(w.texts[i])))
    return one(w, i, w.texts[i][:k] + w.texts[i][k] + w.texts[i][k:])


def times(factor, fields, decimals=4):
    """The value of a field multiplied, to so many decimals."""

    def made(w, rng):
        i = any_field(w, rng, fields)
        return one(w, i, f"{float(w.texts[i]) * factor:.{decimals}f}")

    return made


def taken_from(which):
    def made(w, rng):
        i = any_field(w, rng)
        return one(w, i, getattr(w, which)[i])

    return made


def change_typed(w, rng):
    i = any_field(w, rng)
    return one(w, i, f"{float(w.texts[i]) - float(w.old[i]):.2f}")


def change_the_wrong_way(w, rng):
    i = any_field(w, rng)
    return one(w, i, f"{2 * float(w.old[i]) - float(w.texts[i]):.2f}")


def field_above(w, rng):
    i = any_field(w, rng, [k for k in range(1, len(FIELDS)) if k != ANGLES[0]])
    return one(w, i, w.texts[i - 1])


def two_exchanged(w, rng):
    i = any_field(w, rng, [k for k in range(1, len(FIELDS)) if k != ANGLES[0]])
    texts = list(w.texts)
    texts[i - 1], texts[i] = texts[i], texts[i - 1]
    return tuple(texts)


def a_row_off(w, rng):
    """From a length on, each field gets what belongs into the next one, to the last length."""
    i = any_field(w, rng, range(6))
    texts = list(w.texts)
    texts[i:8] = w.texts[i + 1:9]
    return tuple(texts)


def minutes(w, rng):
    """Degrees and minutes, typed with a point between them."""
    i = any_field(w, rng, ANGLES)
    value = float(w.texts[i])
    whole, rest = divmod(abs(value), 1)
    return one(w, i, f"{'-' if value < 0 else ''}{whole:.0f}.{round(60 * rest):02d}")


def half_a_turn(w, rng):
    i = any_field(w, rng, [10, 12, 14])
    return one(w, i, f"{float(w.texts[i]) - 180:.2f}")


#: Kind of fault to how it is made; None where it cannot be made of these texts.
KINDS = {
    "wrong sign": lambda w, rng: (lambda i: one(w, i, minus(w.texts[i])))(any_field(w, rng)),
    "old value left in": taken_from("old"),
    "left at zero": lambda w, rng: one(w, any_field(w, rng), "0"),
    "left at the value it started from": taken_from("start"),
    "digits exchanged": exchanged_digits,
    "one digit wrong": wrong_digit,
    "digit left out": digit_left_out,
    "digit typed twice": digit_twice,
    "point one place right": times(10, range(15)),
    "point one place left": times(0.1, range(15)),
    "cm in a field of mm": times(0.1, LENGTHS, 1),
    "m in a field of mm": times(0.001, LENGTHS, 3),
    "inches in a field of mm": times(1 / 25.4, LENGTHS, 2),
    "radians in a field of deg": times(np.pi / 180, ANGLES),
    "gon in a field of deg": times(1 / 0.9, ANGLES, 2),
    "minutes typed as decimals": minutes,
    "half of it": times(0.5, LENGTHS, 1),
    "twice of it": times(2, LENGTHS, 0),
    "its sd typed": taken_from("sd"),
    "the change typed": change_typed,
    "the change made the wrong way": change_the_wrong_way,
    "the value of the field above": field_above,
    "exchanged with the field above": two_exchanged,
    "a row off": a_row_off,
    "half a turn off": half_a_turn,
    "all old values left in": lambda w, rng: w.old,
    "old lengths left in": lambda w, rng: (*w.old[:9], *w.texts[9:]),
    "old angles left in": lambda w, rng: (*w.texts[:9], *w.old[9:]),
}


def edge_moves(w: World, texts) -> float:
    """What the edge is off by over the envelope with these texts, at worst, m."""
    rig, right = w.rig, in_si(w.rig, machine_of(w.texts, w.solved))
    joints, _ = rig.envelope_joints()
    readings = rig.chain.readings_for(right, joints)
    edges = rig.edge_targets

    def at(machine):
        posture = rig.chain.posture(machine, np.tile(HOUSE_PLACEMENT, (len(readings), 1)),
                                    readings, False)
        return posture.points(np.tile(edges, len(readings)),
                              np.repeat(np.arange(len(readings)), len(edges))).position

    off = at(in_si(rig, machine_of(texts, w.solved))) - at(right)
    return float(np.nan_to_num(np.linalg.norm(off, axis=1), nan=np.inf).max())


def faulty(w: World, kind: str, rng, beyond: float):
    """Texts with a fault of that kind that moves the edge by more than `beyond`, m; or None."""
    for _ in range(60):
        texts = KINDS[kind](w, rng)
        if texts is None or all(float(a) == float(b)
                                for a, b in zip(texts, w.texts, strict=True)):
            continue
        if edge_moves(w, texts) > beyond:
            return texts
    return None


def some_poses(rig: Rig, rng, count: int) -> np.ndarray:
    """Joint angles about postures of the envelope, its reaches in turn, (count, k), rad."""
    joints, reach = rig.envelope_joints()
    rows = [rng.choice(np.flatnonzero(reach == i % (reach.max() + 1))) for i in range(count)]
    return joints[rows] + np.radians(rng.normal(0, 3, (count, joints.shape[1])))


def display(w: World, texts, joints, rng, *, step=0.001, noise=1.0,
            targets=("edge_left", "edge_right")) -> Shown:
    """What the machine's display shows with these texts in its fields, from the boom foot pin.

    Parameters
    ----------
    step : float
        What it rounds coordinates to, m.
    noise : float
        Of the readings, in sds of the rig's sensors, between what the display uses and what is
        copied; angles are copied with two decimals.
    """
    rig = w.rig
    true = rig.chain.readings_for(in_si(rig, w.solved), joints)
    sd = np.array([r.sd for r in rig.readings])
    copied = np.radians(np.round(np.degrees(true + noise * sd * rng.normal(size=true.shape)), 2))
    count = len(joints)
    target = np.tile([rig.target_names.index(t) for t in targets], count)
    pose = np.repeat(np.arange(count), len(targets))
    at = rig.chain.posture(in_si(rig, machine_of(texts, w.solved)),
                           np.tile(HOUSE_PLACEMENT, (count, 1)), true, False
                           ).points(target, pose).position
    return Shown(
        poses=tuple(str(i + 1) for i in range(count)), stand=("",) * count, readings=copied,
        reading_step=np.full(copied.shape[1], np.radians(0.01)), pose=pose, target=target,
        position=np.round(at / step) * step, step=np.full(3, step), on_site=False, shot=None,
        line=pose + 2)
