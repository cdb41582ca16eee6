"""A rig: the machine as data. Parameters, sensors, the chain, targets, limits and envelope."""

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from importlib import resources
from itertools import product

import numpy as np
from pydantic import ValidationError

from calib.chain.chain import Chain, Sensor, Target
from calib.chain.length import metres
from calib.chain.motion import AXES, PLACEMENT, Motion
from calib.chain.schema import MotionEntry, ParameterEntry, RigEntry


class RigError(Exception):
    """A rig description that cannot be used.

    Attributes
    ----------
    problems : list of (key, found, expected)
        Key path such as ``readings.sd.boom``, the text found there, what was expected.
    """

    def __init__(self, problems: "Iterable[tuple[str, str, str]]"):
        self.problems = list(problems)
        super().__init__(
            "; ".join(f"{key}: found {found}, expected {expected}"
                      for key, found, expected in self.problems)
        )


@dataclass(frozen=True)
class Parameter:
    """A named length (m) or angle (rad inside, deg on screens) of the rig.

    `tape_sd` is what careful taping of it reaches (1 sd; common practice, no source), or None
    where nobody tapes it. `least` and `most` bound what a machine can have; a `least` above 0 says
    that a length is positive by nature. `stated` says whether the rig file's user gave `start`.
    """

    name: str
    unit: str
    start: float
    held: bool
    tape_sd: float | None
    means: str
    least: float = -np.inf
    most: float = np.inf
    stated: bool = False

    def allows(self, value: float) -> bool:
        """Whether a value (m or rad) is in the range; an angle may be whole turns off."""
        if self.unit == "deg":
            value = self.least + np.mod(value - self.least, 2 * np.pi) \
                if np.isfinite(self.least) else value
        # A hair of room: 30 deg must not be more than 30 deg for having been radians.
        return self.least - 1e-9 <= value <= self.most + 1e-9

    @property
    def range_words(self) -> str:
        """The range in the unit of files, such as "from 0.15 to 6 m"."""
        low, high = ((np.degrees(b) if self.unit == "deg" else b) for b in (self.least, self.most))
        return f"from {low:g} to {high:g} {self.unit}"


@dataclass(frozen=True)
class Reading:
    """One reading: its sd, and the limits and speed of the joint it drives (rad, rad/s)."""

    name: str
    kind: str
    direction: float
    zero: str | None
    sd: float | None
    low: float
    high: float
    speed: float | None
    means: str


@dataclass(frozen=True)
class Derived:
    """A quantity computed from two points of the chain with every joint angle zero."""

    name: str
    unit: str
    measure: str
    start: str
    end: str
    means: str


@dataclass(frozen=True)
class Envelope:
    """Where the user works: joint angles (rad) of named reaches, times a sweep of some joints.

    Attributes
    ----------
    target : str
        The target whose position matters.
    reaches : tuple of (name, joints)
        `joints` maps reading names to joint angles; what is not named is zero.
    sweep : mapping of reading name to array
        The angles each swept joint takes, rad.
    """

    target: str
    reaches: tuple[tuple[str, Mapping[str, float]], ...]
    sweep: Mapping[str, np.ndarray]


@dataclass(frozen=True)
class Rig:
    """A machine's geometry and sensors, as read from a rig file.

    Attributes
    ----------
    parameters, readings, targets, derived : tuples
        In the order used by every array: ``values[i]`` belongs to ``parameters[i]``.
    chain : Chain
        The compiled motions.
    shot_sd : ndarray, shape (3,), or None
        East, north, up, m: the sd of a shot whose row does not state its own.
    definition : mapping
        The whole description, template merged in: `rig_from_dict` makes the same rig from it.
    edge_goal : float or None
        What the edge must be known to at 95 %, worst over the envelope, m; None if not stated.
    check_tolerance : float or None
        On the 3-D miss of a check shot, m; None if not stated.
    """

    name: str
    title: str
    parameters: tuple[Parameter, ...]
    readings: tuple[Reading, ...]
    targets: tuple[Target, ...]
    derived: tuple[Derived, ...]
    chain: Chain
    shot_sd: np.ndarray | None
    envelope: Envelope
    definition: Mapping
    edge_goal: float | None = None
    check_tolerance: float | None = None

    @cached_property
    def parameter_names(self) -> tuple[str, ...]:
        return tuple(p.name for p in self.parameters)

    @cached_property
    def reading_names(self) -> tuple[str, ...]:
        return tuple(r.name for r in self.readings)

    @cached_property
    def target_names(self) -> tuple[str, ...]:
        return tuple(t.name for t in self.targets)

    @cached_property
    def edge_targets(self) -> tuple[int, ...]:
        """Indices of the targets on the cutting edge."""
        return tuple(i for i, t in enumerate(self.targets) if t.name.startswith("edge"))

    @cached_property
    def start(self) -> np.ndarray:
        """Starting values, shape (n_parameters,), m or rad."""
        return np.array([p.start for p in self.parameters])

    @cached_property
    def held(self) -> np.ndarray:
        """Mask of the parameters that are not estimated, shape (n_parameters,)."""
        return np.array([p.held for p in self.parameters])

    def envelope_joints(self) -> tuple[np.ndarray, np.ndarray]:
        """Joint angles over the working envelope.

        Returns
        -------
        joints : ndarray, shape (n_nodes, n_readings), rad
        reach : ndarray of int, shape (n_nodes,)
            Index into ``envelope.reaches``.
        """
        rows, reach = [], []
        names, angles = list(self.envelope.sweep), list(self.envelope.sweep.values())
        for index, (_, joints) in enumerate(self.envelope.reaches):
            for values in product(*angles):
                row = {**joints, **dict(zip(names, values, strict=True))}
                rows.append([row.get(name, 0.0) for name in self.reading_names])
                reach.append(index)
        return np.array(rows), np.array(reach)


def template_names() -> tuple[str, ...]:
    """Names of the shipped rigs."""
    folder = resources.files("calib.chain") / "rigs"
    return tuple(sorted(f.name[:-5] for f in folder.iterdir() if f.name.endswith(".toml")))


def rig_from_template(name: str) -> Rig:
    """The shipped rig `name`, unchanged: no sds of shots and readings."""
    return rig_from_dict({"template": name})


def rig_from_dict(data: Mapping) -> Rig:
    """Build a rig from the content of a rig file.

    Parameters
    ----------
    data : mapping
        As ``tomllib`` gives it. With ``template`` the shipped rig's chain is used and everything
        else in `data` changes it; without, `data` must describe the chain itself.

    Raises
    ------
    RigError
        With every problem found.
    """
    entry = _checked(data)
    if entry.template is not None:
        entry = _merged(_template(entry.template), entry)
    problems = _cross_check(entry)
    if problems:
        raise RigError(problems)
    return _build(entry)


def _checked(data):
    try:
        return RigEntry.model_validate(data)
    except ValidationError as error:
        named = data.get("template")
        raise RigError([
            *((".".join(str(part) for part in e["loc"]), *_in_words(e)) for e in error.errors()),
            *(_unknown_template(named) if isinstance(named, str) else ()),
        ]) from None


def _in_words(error):
    """Found and expected of one schema error, without the schema's own vocabulary."""
    kind, limits = error["type"], error.get("ctx", {})
    if kind == "missing":
        return "nothing", "a value"
    expected = {
        "extra_forbidden": "a key this file knows",
        "float_type": "a number",
        "finite_number": "a finite number",
        "greater_than": f"a number above {limits.get('gt', 0):g}",
        "greater_than_equal": f"a number of {limits.get('ge', 0):g} or more",
        "less_than_equal": f"a number of {limits.get('le', 0):g} or less",
        "int_type": "a whole number",
        "int_from_float": "a whole number",
        "bool_type": "true or false",
        "too_short": f"{limits.get('min_length')} or more in the list",
        "too_long": f"{limits.get('max_length')} in the list",
        "string_type": "text in quotes",
        "list_type": "a list in square brackets",
        "tuple_type": "a list in square brackets",
        "dict_type": "a table of keys",
        "model_type": "a table of keys",
    }.get(kind, error["msg"].removeprefix("Value error, ").removeprefix("Input should be "))
    return repr(error["input"]), expected


def _unknown_template(name):
    """The problem with a template's name, if it has one."""
    if name in template_names():
        return []
    return [("template", repr(name), "one of " + ", ".join(template_names()))]


def _template(name):
    if problems := _unknown_template(name):
        raise RigError(problems)
    text = (resources.files("calib.chain") / "rigs" / f"{name}.toml").read_text("utf-8")
    return RigEntry.model_validate(tomllib.loads(text))


#: The one way to turn, axis and sense, of a member whose inclination a sensor measures.
_INCLINED = {"in_boom_plane": ("y", -1), "across": ("x", 1)}


def _merged(base, changes):
    """The template with the changes of a rig file laid over it."""
    named = changes.model_fields_set
    fixed = [key for key in ("motions", "parameters", "sensors") if key in named]
    if fixed:
        raise RigError(
            [(key, "given", "either a template or a chain of your own, not both") for key in fixed]
        )
    update = {key: getattr(changes, key) for key in ("free", "hold", "values", "shots", "readings")}
    update |= {key: {**getattr(base, key), **getattr(changes, key)}
               for key in ("limits", "ranges", "speeds", "targets", "derived")}
    update |= {key: getattr(changes, key)
               for key in ("title", "envelope", "name", "goal", "check") if key in named}
    return base.model_copy(update=update)


def _cross_check(entry):
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
    names_in("ranges", entry.ranges, entry.parameters, "a parameter")
    for name in sorted(set(entry.free) & set(entry.hold)):
        problems.append((f"hold.{name}", "also in free", "free or held, not both"))
    for key, used in (("readings.sd", entry.readings.sd),
                      ("readings.direction", entry.readings.direction),
                      ("limits", entry.limits), ("speeds", entry.speeds)):
        names_in(key, used, entry.sensors, "a reading")
    pairs = {**{f"limits.{name}": pair for name, pair in entry.limits.items()},
             **{f"ranges.{name}": pair for name, pair in entry.ranges.items()},
             **{f"parameters.{name}.least": _range(p) for name, p in entry.parameters.items()}}
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


def _build(entry):
    parameters = tuple(_parameter(entry, name) for name in entry.parameters)
    readings = tuple(_reading(entry, name) for name in entry.sensors)
    targets = tuple(
        Target(name, t.frame, tuple(_motion(m) for m in t.motions), t.means)
        for name, t in entry.targets.items()
    )
    chain = Chain.compile(
        motions=tuple(_motion(m) for m in entry.motions),
        parameters=tuple(p.name for p in parameters),
        sensors=tuple(Sensor(r.name, r.kind, r.direction, r.zero) for r in readings),
        targets=targets,
    )
    derived = tuple(
        Derived(name, "m", d.measure, d.start, d.end, d.means) for name, d in entry.derived.items()
    )
    return Rig(
        name=entry.name or "own",
        title=entry.title or entry.name or "Rig of your own",
        parameters=parameters,
        readings=readings,
        targets=targets,
        derived=derived,
        chain=chain,
        shot_sd=_shot_sd(entry),
        envelope=_envelope(entry),
        definition=entry.model_dump(mode="json", exclude_none=True, exclude={"template"}),
        edge_goal=metres(entry.goal.edge) if entry.goal else None,
        check_tolerance=metres(entry.check.tolerance) if entry.check else None,
    )


def _range(parameter: ParameterEntry):
    """Least and most, infinite where not given."""
    return (-np.inf if parameter.least is None else parameter.least,
            np.inf if parameter.most is None else parameter.most)


def _parameter(entry, name):
    p = entry.parameters[name]
    unit = np.radians(1.0) if p.unit == "deg" else 1.0
    least, most = entry.ranges.get(name, _range(p))
    return Parameter(
        name=name,
        unit=p.unit,
        start=unit * entry.values.get(name, p.start),
        held=name in entry.hold or (p.held and name not in entry.free),
        tape_sd=None if p.tape_sd is None else unit * p.tape_sd,
        means=p.means,
        least=unit * least,
        most=unit * most,
        stated=name in entry.values,
    )


def _reading(entry, name):
    sensor = entry.sensors[name]
    sd, speed = entry.readings.sd.get(name), entry.speeds.get(name)
    low, high = entry.limits.get(name, (-180.0, 180.0))
    return Reading(
        name=name,
        kind=sensor.kind,
        direction=float(entry.readings.direction.get(name, sensor.direction)),
        zero=sensor.zero,
        sd=None if sd is None else np.radians(sd),
        low=np.radians(low),
        high=np.radians(high),
        speed=None if speed is None else np.radians(speed),
        means=sensor.means,
    )


def _motion(entry: MotionEntry):
    turns = entry.rotate is not None
    return Motion(
        turns=turns,
        axis=AXES.index(entry.rotate if turns else entry.translate),
        constant=np.radians(entry.plus) if turns else entry.plus,
        by=dict(entry.by),
        joint=entry.joint,
        sense=float(entry.sense),
        frame=entry.frame,
    )


def _shot_sd(entry):
    if entry.shots is None:
        return None
    sd = entry.shots.sd
    if sd.horizontal is not None:
        return np.array([sd.horizontal, sd.horizontal, sd.vertical])
    return np.array([sd.east, sd.north, sd.up])


def _envelope(entry):
    e = entry.envelope
    return Envelope(
        target=e.target,
        reaches=tuple(
            (r.name, {k: np.radians(v) for k, v in r.joints.items()}) for r in e.reaches
        ),
        sweep={k: np.radians(np.linspace(low, high, n)) for k, (low, high, n) in e.sweep.items()},
    )
