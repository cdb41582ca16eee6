"""Whether the parts of a rig file fit each other: names, joints, limits, envelope."""

import numpy as np

from calib.chain.motion import PLACEMENT
from calib.chain.schema import ParameterEntry, RigEntry

#: The one way to turn, axis and sense, of a member whose inclination a sensor measures.
_INCLINED = {"in_boom_plane": ("y", -1), "across": ("x", 1)}


def cross_check(entry: RigEntry) -> list[tuple[str, str, str]]:
    """Names that point nowhere, and a chain that is not one."""
    problems = []

    def names_in(key, used, known, what):
        for name in used:
            if name not in known:
                problems.append((f"{key}.{name}", repr(name),
                                 f"{what}: one of {', '.join(known) or 'none'}"))

    if not entry.motions:
        problems.append(("motions", "nothing", 'a list of motions, or a "template"'))
    amounts = (*entry.parameters, *PLACEMENT)
    frames = [m.frame for m in entry.motions if m.frame]
    for label, motions in (
        ("motions", entry.motions),
        *((f"targets.{name}.motions", target.motions) for name, target in entry.targets.items()),
    ):
        for index, motion in enumerate(motions):
            names_in(f"{label}.{index}.by", motion.by, amounts, "a parameter")
            if motion.joint is not None:
                names_in(f"{label}.{index}.joint", [motion.joint], entry.sensors, "a sensor")
    for name, target in entry.targets.items():
        names_in(f"targets.{name}.frame", [target.frame], frames, "a frame")
        if any(m.joint or m.frame or set(m.by) & set(PLACEMENT) for m in target.motions):
            problems.append((f"targets.{name}.motions", "a joint, a frame or a placement",
                             "motions set by parameters only"))
    problems += _motion_problems(entry, frames)
    joints = [m.joint for m in entry.motions if m.joint]
    for name in entry.sensors:
        if joints.count(name) != 1:
            problems.append((f"sensors.{name}", f"in {joints.count(name)} motions",
                             "exactly one motion that this sensor drives"))
    for name, sensor in entry.sensors.items():
        if sensor.zero is not None:
            names_in(f"sensors.{name}.zero", [sensor.zero], entry.parameters, "a parameter")
    names_in("free", entry.free, entry.parameters, "a parameter")
    names_in("hold", entry.hold, entry.parameters, "a parameter")
    names_in("values", entry.values, entry.parameters, "a parameter")
    names_in("effort.targets", entry.effort.targets if entry.effort else (), entry.targets,
             "a target")
    names_in("ranges", entry.ranges, entry.parameters, "a parameter")
    for name in sorted(set(entry.free) & set(entry.hold)):
        problems.append((f"hold.{name}", "also in free", "free or held, not both"))
    for key, used in (("readings.sd", entry.readings.sd),
                      ("readings.direction", entry.readings.direction),
                      ("limits", entry.limits), ("speeds", entry.speeds)):
        names_in(key, used, entry.sensors, "a reading")
    pairs = {**{f"limits.{name}": pair for name, pair in entry.limits.items()},
             **{f"ranges.{name}": pair for name, pair in entry.ranges.items()},
             **{f"parameters.{name}.least": range_of(p) for name, p in entry.parameters.items()}}
    for key, (low, high) in pairs.items():
        if not low < high:
            problems.append((key, f"[{low}, {high}]", "the lower limit first"))
    for name, derived in entry.derived.items():
        names_in(f"derived.{name}", [derived.start, derived.end],
                 (*entry.targets, *frames), "a target or a frame")
    problems += _envelope_problems(entry)
    return problems


def _motion_problems(entry, frames):
    """Frames named twice, names with two meanings, inclinometers on the wrong axis."""
    problems = [
        (f"parameters.{name}", repr(name), "another name: this one places a stand")
        for name in entry.parameters if name in PLACEMENT
    ]
    for index, motion in enumerate(entry.motions):
        if motion.frame and frames.count(motion.frame) > 1:
            problems.append((f"motions.{index}.frame", repr(motion.frame), "a name used once"))
        sensor = entry.sensors.get(motion.joint)
        way = _INCLINED.get(sensor.kind) if sensor else None
        if way and (motion.rotate, motion.sense) != way:
            problems.append((
                f"motions.{index}", f"rotate {motion.rotate}, sense {motion.sense}",
                f"rotate {way[0]}, sense {way[1]}, where the sensor {motion.joint} measures "
                f"{sensor.kind}",
            ))
    return problems


def _envelope_problems(entry):
    if entry.envelope is None:
        return [("envelope", "nothing", "reaches and sweeps of the joints where the user works")]
    used = [*entry.envelope.sweep, *(j for r in entry.envelope.reaches for j in r.joints)]
    problems = [
        (f"envelope.{name}", repr(name), "a reading: one of " + ", ".join(entry.sensors))
        for name in used if name not in entry.sensors
    ]
    if entry.envelope.target not in entry.targets:
        problems.append(("envelope.target", repr(entry.envelope.target),
                         "a target: one of " + ", ".join(entry.targets)))
    return problems


def range_of(parameter: ParameterEntry) -> tuple[float, float]:
    """Least and most, infinite where not given."""
    return (-np.inf if parameter.least is None else parameter.least,
            np.inf if parameter.most is None else parameter.most)
