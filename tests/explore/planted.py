"""Effects planted in simulated runs by rig files of their own and by changing readings.

Nothing here uses the effects that calib ships, nor the code that looks for them: what is planted is
written out as a user could write it, and told by the name under which it should be found.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from calib.calibration import solve
from calib.chain.rig import rig_from_dict, rig_from_template
from calib.simulate import drawn_joints, drawn_parameters, simulate

_READING_SD = {"house_pitch": 0.03, "house_roll": 0.03, "tilt": 0.06, "rotate": 0.10}


@dataclass(frozen=True)
class Plant:
    """An effect: what a rig file that has it adds, and how readings show it, if they alone do.

    Attributes
    ----------
    adds : dict
        With the parameters "planted" or "planted_cos" and "planted_sin", or `free`, a parameter
        of the rig.
    readings : callable or None
        ``readings(readings, noted, values)``: what sensors show that do not know of it.
    needs : str or None
        A column of readings.csv; another is not noted.
    most : float
        No machine has more, deg or m.
    """

    adds: dict
    readings: Callable | None = None
    free: str | None = None
    needs: str | None = None
    most: float = 3.0

    @property
    def names(self):
        return (self.free,) if self.free else tuple(self.adds["parameters"])


def sds(template):
    """What a careful crew reaches."""
    names = rig_from_template(template).reading_names
    return {"template": template,
            "shots": {"sd": {"east": 0.002, "north": 0.002, "up": 0.002}},
            "readings": {"sd": {name: _READING_SD.get(name, 0.05) for name in names}}}


def _angle(name="planted", unit="deg"):
    return {name: {"unit": unit, "start": 0.0, "means": "planted"}}


def _motion(place, parameters=None, needs=None, most=3.0, **motion):
    return Plant({"motions": [{**motion, **place}], "parameters": parameters or _angle()},
                 needs=needs, most=most)


def _sensor(rig, j, functions, shown, needs=None):
    name = rig.reading_names[j]
    own = {f"planted{suffix}": times for suffix, times in functions.items()}
    adds = {"sensors": {name: {"varying": own}},
            "parameters": {k: v for n in own for k, v in _angle(n).items()}}

    def readings(values, noted, sizes):
        values = values.copy()
        true = values[:, j].copy()
        for _ in range(20):  # what is shown, so that shown and what varies with it are the truth
            values[:, j] = true - rig.readings[j].direction * shown(values[:, j], noted, sizes)
        return values

    return Plant(adds, readings, needs=needs)


def plants(template):
    """Every effect that can be planted in a shipped rig, by the name that it should be told by."""
    rig = rig_from_template(template)
    by = {"planted": 1.0}
    out = {name: Plant({}, free=name) for name in (
        "tilt_axis_yaw", "rotation_axis_lean", "house_roll_zero", "house_pitch_zero")
        if name in rig.parameter_names}
    for j, reading in enumerate(rig.readings):
        name, pin = reading.name, {"before": reading.name}
        if reading.kind == "in_boom_plane":
            uses = {**rig.definition["sensors"][name].get("uses", {}), "lean": "planted"}
            out[f"{name}_cross_axis"] = Plant({"sensors": {name: {"uses": uses}},
                                               "parameters": _angle()}, most=5.0)
            out[f"{name}_pin_lean"] = _motion(pin, rotate="x", by=by)
            out[f"{name}_pin_turn"] = _motion(pin, rotate="z", by=by)
            out[f"{name}_pin_play"] = _motion(
                pin, _angle(unit="m"), "load", 0.02, translate="z",
                varying=[{"by": by, "times": "pose column", "of": "load"}])
        if reading.kind in ("in_boom_plane", "across"):
            uses = {**rig.definition["sensors"][name].get("uses", {}), "twist": "planted"}
            out[f"{name}_twist"] = Plant({"sensors": {name: {"uses": uses}},
                                          "parameters": _angle()}, most=5.0)
        if reading.speed is None:
            continue
        out[f"{name}_scale"] = _sensor(
            rig, j, {"": "reading"}, lambda r, noted, s: s[0] * r / (np.pi / 2))
        out[f"{name}_hysteresis"] = _sensor(
            rig, j, {"": "approach"}, lambda r, noted, s: s[0] * noted["approach"],
            "approach")
        if reading.kind == "joint":
            out[f"{name}_harmonic"] = _sensor(
                rig, j, {"_cos": "cosine", "_sin": "sine"},
                lambda r, noted, s: s[0] * np.cos(r) + s[1] * np.sin(r))
    for name in ("boom", "upper_boom", "stick"):
        if name in rig.reading_names:
            out[f"{name}_sag"] = _motion({"after": name}, rotate="y", most=0.4, varying=[
                {"by": by, "times": "horizontal distance", "of": name, "to": "stick_end"}])
    return out


def with_plant(template, plant):
    """The rig that has it, estimated."""
    more = {"free": [plant.free]} if plant.free else plant.adds
    return rig_from_dict({**sds(template), **more})


def noted(rig, count, rng):
    """Both columns, each word as often as the other."""
    return {c.name: rng.permutation(np.resize(list(c.words.values()), count).astype(float))
            for c in rig.pose_columns}


def clean(template, rng, poses=24, stands=2, **more):
    """A run without any effect; of the columns both are noted, or one, or none."""
    rig = rig_from_dict(sds(template))
    run, truth = simulate(rig, rng, poses=poses, stands=stands, **more)
    columns = noted(rig, len(run.poses.ids), rng)
    columns = {name: values for name, values in columns.items() if rng.random() < 0.5}
    return replace(run, poses=replace(run.poses, noted=columns)), truth


def planted(template, plant, rng, sizes=4.0, poses=24, stands=2, **more):
    """A run with an effect of so many of its own sds that its rig knows nothing of.

    Of two parameters the direction is random, and the sd that of the length along it.

    Returns
    -------
    Run, ndarray of the values planted; None if no machine has that much.
    """
    own = with_plant(template, plant)
    at = [own.parameter_names.index(n) for n in plant.names]
    seed = int(rng.integers(2**31))
    truth = drawn_parameters(own, rng)
    truth[at] = 0.0
    joints = drawn_joints(own, truth, poses, np.random.default_rng(seed), _parked(own, poses,
                                                                                 stands, seed))

    def run_of(values):
        draw = np.random.default_rng(seed + 1)
        truth[at] = values
        # Where the plant only changes what sensors show, the machine is without it.
        machine = truth.copy()
        if plant.readings is not None:
            machine[at] = 0.0
        run, _ = simulate(own, draw, poses=poses, stands=stands, joints=joints,
                          parameters=machine, **more)
        return run

    run = run_of(np.zeros(len(at)))
    columns = {name: values for name, values in run.poses.noted.items() if name == plant.needs}
    covariance = solve(run).covariance[np.ix_(at, at)]
    direction = rng.normal(size=len(at))
    direction /= np.linalg.norm(direction)
    values = sizes * direction * np.sqrt(direction @ covariance @ direction)
    if np.abs(values).max() > (
            plant.most if own.parameters[at[0]].unit == "m" else np.radians(plant.most)):
        return None
    run = run_of(values)
    poses_ = replace(run.poses, noted=columns)
    if plant.readings is not None:
        poses_ = replace(poses_, readings=plant.readings(poses_.readings, columns, values))
    bare = rig_from_dict(sds(template))
    tape = run.tape
    keep = [i for i, q in enumerate(tape.quantities) if q in bare.parameter_names]
    assert len(keep) == len(tape.quantities)
    return replace(run, rig=bare, poses=poses_), values


def _parked(rig, poses, stands, seed):
    """Pitch and roll of the house, nearly those of the stand; what is driven is drawn."""
    from calib.simulate import _parked as parked

    return parked(rig, np.arange(poses) % stands, np.random.default_rng(seed + 3))


def outcome(found, name):
    """What exploring made of a run in which the effect `name` was planted."""
    if found.rival is not None:
        return "mistake"
    for one in found.found:
        group = [one.tested, *one.alike]
        if any(name in t.effect.members for t in group):
            return "named" if name in one.tested.effect.members else "group"
    if found.found:
        return "another"
    verdict = next((t.verdict for t in found.tested if t.effect.name == name), "")
    return "untold" if verdict == "untold" else "nothing"
