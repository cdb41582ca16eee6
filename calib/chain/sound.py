"""Whether the parts of a rig file fit each other: names, joints, limits, envelope."""

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from calib.chain.basis import OF_DISTANCE, OF_INCLINATION, OF_JOINT, OF_READING
from calib.chain.linkages import LINKAGES
from calib.chain.motion import PLACEMENT
from calib.chain.schema import MotionEntry, ParameterEntry, Problem, RigEntry, SensorEntry
from calib.chain.sensors import SENSOR_KINDS


def cross_check(entry: RigEntry, base: RigEntry | None = None) -> list[Problem]:
    """Names that point nowhere, and a chain that is not one.

    Parameters
    ----------
    base : RigEntry, optional
        The template that `entry` was made from.
    """
    frames = [m.frame for m in entry.motions if m.frame]
    return [
        *_motion_problems(entry, frames, base),
        *_target_problems(entry, frames),
        *_sensor_problems(entry),
        *_column_problems(entry),
        *_parameter_problems(entry),
        *_named(entry),
        *(p for name, derived in entry.derived.items()
          for p in _names(f"derived.{name}", [derived.start, derived.end],
                          (*entry.targets, *frames), "a target or a frame")),
        *_envelope_problems(entry),
    ]


def _names(key: str, used: Iterable[Any], known: Iterable[str], what: str) -> list[Problem]:
    """The problem of every name that is none of the known."""
    return [(f"{key}.{name}", repr(name), f"{what}: one of {', '.join(known) or 'none'}")
            for name in used if name not in known]


def _motion_problems(entry: RigEntry, frames: list[str], base: RigEntry | None) -> list[Problem]:
    """Names of nothing, frames named twice, inclinometers on the wrong axis."""
    if not entry.motions:
        return [("motions", "nothing", 'a list of motions, or a "template"')]
    problems = []
    for index, motion in enumerate(entry.motions):
        given = base is None or motion.index is not None
        key = f"motions.{index if base is None else motion.index}" if given \
            else f"sensors.{motion.joint}"
        problems += _amount_problems(key, motion, entry)
        problems += _varying_problems(key, index, entry)
        if base is None and (word := next((w for w in ("before", "after", "at")
                                           if getattr(motion, w)), None)):
            problems.append((key, word,
                             'a place in the list: only a rig with a "template" is added to'))
        if motion.joint is not None:
            problems += _names(f"{key}.joint", [motion.joint], entry.sensors, "a sensor")
        if motion.frame and frames.count(motion.frame) > 1 and given:
            problems.append((f"{key}.frame", repr(motion.frame), "a name used once"))
        sensor = entry.sensors.get(motion.joint or "")
        way = SENSOR_KINDS[sensor.kind].way if sensor else None
        if sensor and way and (motion.rotate, motion.sense) != way:
            problems.append((
                key, f"rotate {motion.rotate}, sense {motion.sense}",
                f"rotate {way[0]}, sense {way[1]}, where the sensor {motion.joint} measures "
                f"{sensor.kind}",
            ))
    return problems


def _amount_problems(key: str, motion: MotionEntry, entry: RigEntry) -> list[Problem]:
    problems = _names(f"{key}.by", motion.by, (*entry.parameters, *PLACEMENT), "a parameter")
    for i, varying in enumerate(motion.varying or ()):
        problems += _names(f"{key}.varying.{i}.by", varying.by, entry.parameters, "a parameter")
    return problems


def _varying_problems(key: str, index: int, entry: RigEntry) -> list[Problem]:
    """Functions of joints and frames that the chain has not come to, and of unknown columns."""
    motions, problems = entry.motions, []
    joints = [m.joint for m in motions[: index + 1] if m.joint]
    frames = [m.frame for m in motions[:index] if m.frame]
    for i, varying in enumerate(motions[index].varying or ()):
        if varying.times in OF_JOINT:
            known, what = joints, "a joint of this motion or before it"
        elif varying.times in OF_INCLINATION:
            known, what = frames, "a frame before this motion"
        else:
            known, what = list(entry.pose_columns), "a column under [pose_columns]"
        if varying.times == OF_DISTANCE:
            known, what = [m.frame for m in motions if m.frame], "a frame"
            problems += _names(f"{key}.varying.{i}.to", [varying.to], known, what)
        elif varying.to is not None:
            problems.append((f"{key}.varying.{i}.to", repr(varying.to), "nothing: only a "
                             f"{OF_DISTANCE} is from one frame to another"))
        problems += _names(f"{key}.varying.{i}.of", [varying.of], known, what)
    return problems


def _target_problems(entry: RigEntry, frames: list[str]) -> list[Problem]:
    problems = []
    for name, target in entry.targets.items():
        for index, motion in enumerate(target.motions):
            problems += _amount_problems(f"targets.{name}.motions.{index}", motion, entry)
        problems += _names(f"targets.{name}.frame", [target.frame], frames, "a frame")
        if any(m.joint or m.frame or m.before or m.after or m.varying or set(m.by) & set(PLACEMENT)
               for m in target.motions):
            problems.append((f"targets.{name}.motions", "a joint, a frame or a placement",
                             "motions set by parameters only"))
    return problems


def _sensor_problems(entry: RigEntry) -> list[Problem]:
    """Sensors that drive no joint or several, and zeros that are no parameters."""
    problems, joints = [], [m.joint for m in entry.motions if m.joint]
    for name, sensor in entry.sensors.items():
        if joints.count(name) != 1:
            problems.append((f"sensors.{name}", f"in {joints.count(name)} motions",
                             "exactly one motion that this sensor drives"))
        if sensor.zero is not None:
            problems += _names(f"sensors.{name}.zero", [sensor.zero], entry.parameters,
                               "a parameter")
        problems += _names(f"sensors.{name}.varying", sensor.varying or (), entry.parameters,
                           "a parameter")
        known = (*(OF_READING if sensor.kind != "stroke" else ()), *entry.pose_columns)
        problems += [(f"sensors.{name}.varying.{parameter}", repr(times), _one_of(known))
                     for parameter, times in (sensor.varying or {}).items() if times not in known]
        problems += _linkage_problems(f"sensors.{name}", sensor, entry)
    return problems


def _linkage_problems(key: str, sensor: SensorEntry, entry: RigEntry) -> list[Problem]:
    """What a sensor uses: names of inputs, parameters of the right unit, a way to be assembled."""
    kind, problems = SENSOR_KINDS[sensor.kind], []
    uses, units = sensor.uses or {}, dict.fromkeys(kind.may_use, "deg")
    lengths: tuple[str, ...] = ()
    if sensor.through is not None:
        linkage = LINKAGES[sensor.through]
        lengths = linkage.lengths
        units |= dict.fromkeys(linkage.angles, "deg") | dict.fromkeys(lengths, "m")
    if (sensor.kind == "stroke") != (sensor.through == "triangle") or (
            sensor.kind == "across" and sensor.through):
        problems.append((f"{key}.through", repr(sensor.through),
                         "triangle for the kind stroke, four_bar for a link's joint or "
                         "in_boom_plane, else nothing"))
    if (sensor.branch is None) != (sensor.through is None):
        problems.append((f"{key}.branch", repr(sensor.branch),
                         "1 or -1, where the sensor works through a linkage"))
    problems += [(f"{key}.uses.{length}", "nothing", "a parameter, m")
                 for length in lengths if length not in uses]
    angles = [name for name, s in entry.sensors.items() if s.kind == "joint" and not s.through]
    problems += [(f"{key}.uses.{name}", repr(uses.get(name)),
                  f"a reading of the kind joint: one of {', '.join(angles) or 'none'}")
                 for name in kind.sensors if uses.get(name) not in angles]
    for name, parameter in uses.items():
        if name in kind.sensors:
            continue
        problems += _names(f"{key}.uses", [name], units, "what such a sensor uses")
        problems += _names(f"{key}.uses.{name}", [parameter], entry.parameters, "a parameter")
        if name in units and parameter in entry.parameters \
                and entry.parameters[parameter].unit != units[name]:
            problems.append((f"{key}.uses.{name}", repr(parameter),
                             f"a parameter in {units[name]}"))
    if sensor.zero in entry.parameters and entry.parameters[sensor.zero].unit != kind.unit:
        problems.append((f"{key}.zero", repr(sensor.zero), f"a parameter in {kind.unit}"))
    return problems


def _one_of(names: Sequence[str]) -> str:
    return " or ".join(filter(None, (", ".join(names[:-1]), *names[-1:]))) or "nothing"


def _column_problems(entry: RigEntry) -> list[Problem]:
    """Columns of readings.csv that mean something else already."""
    taken = {"pose", "stand", "time", *OF_READING, *entry.sensors,
             *(f"sd_{name}" for name in entry.sensors)}
    return [(f"pose_columns.{name}", repr(name), "a name that readings.csv has not used yet")
            for name in entry.pose_columns if name in taken]


def used_parameters(entry: RigEntry) -> set[str | None]:
    """Names that motions, targets and sensors of a rig file depend on."""
    motions = (*entry.motions, *(m for t in entry.targets.values() for m in t.motions))
    return {*(name for m in motions for part in (m, *(m.varying or ())) for name in part.by),
            *(name for s in entry.sensors.values()
              for name in (s.zero, *(s.varying or ()), *(s.uses or {}).values()))}


def _parameter_problems(entry: RigEntry) -> list[Problem]:
    """Names with two meanings, and parameters that nothing depends on."""
    used, problems = used_parameters(entry), []
    for name in entry.parameters:
        if name in PLACEMENT:
            problems.append((f"parameters.{name}", repr(name),
                             "another name: this one places a stand"))
        elif name not in used:
            problems.append((f"parameters.{name}", "in no motion and no sensor",
                             "a parameter that something depends on"))
    return problems


def _named(entry: RigEntry) -> list[Problem]:
    """What a user lists by name: parameters, readings, targets; limits and ranges."""
    problems = []
    for key in ("free", "hold", "values", "ranges"):
        problems += _names(key, getattr(entry, key), entry.parameters, "a parameter")
    for name in sorted(set(entry.free) & set(entry.hold)):
        problems.append((f"hold.{name}", "also in free", "free or held, not both"))
    if entry.effort:
        problems += _names("effort.targets", entry.effort.targets, entry.targets, "a target")
    for key, used in (("readings.sd", entry.readings.sd),
                      ("readings.direction", entry.readings.direction),
                      ("limits", entry.limits), ("speeds", entry.speeds)):
        problems += _names(key, used, entry.sensors, "a reading")
    pairs = {**{f"limits.{name}": pair for name, pair in entry.limits.items()},
             **{f"ranges.{name}": pair for name, pair in entry.ranges.items()},
             **{f"parameters.{name}.least": range_of(p) for name, p in entry.parameters.items()}}
    for key, (low, high) in pairs.items():
        if not low < high:
            problems.append((key, f"[{low}, {high}]", "the lower limit first"))
    return problems


def _envelope_problems(entry: RigEntry) -> list[Problem]:
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
