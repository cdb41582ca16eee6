"""A rig: the machine as data. Parameters, sensors, the chain, targets, limits and envelope."""

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from importlib import resources
from itertools import product
from typing import Any

import numpy as np
from pydantic import ValidationError

from calib.chain import parts, schema
from calib.chain.chain import SHOT_BY, Chain, Target
from calib.chain.effects import with_effects
from calib.chain.length import metres
from calib.chain.marks import about_marks, mark_parameters, mark_problems, with_marks
from calib.chain.merging import merged, with_sensors_of
from calib.chain.motion import AXES, Motion, Varying
from calib.chain.sensors import SENSOR_KINDS
from calib.chain.sound import cross_check, range_of

#: How fast a house is swung if the rig does not say, deg/s (common practice, no source).
SLEW_SPEED = 20.0


#: Strokes may be beyond what the triangle of the rig file can have by this share of its sides.
STROKE_ROOM = 0.1


@dataclass(frozen=True)
class Rig:
    """A machine's geometry and sensors, as read from a rig file.

    Attributes
    ----------
    parameters, readings, targets, derived : tuples
        In the order used by every array: ``values[i]`` belongs to ``parameters[i]``.
    chain : Chain
        The motions.
    shot_sd : ndarray, shape (3,), or None
        East, north, up, m: the sd of a shot whose row does not state its own.
    definition : mapping
        The whole description, template merged in: `rig_from_dict` makes the same rig from it.
    edge_goal : float or None
        What the edge must be known to at 95 %, worst over the envelope, m; None if not stated.
    check_tolerance : float or None
        On the 3-D miss of a check shot, m; None if not stated.
    job : mapping of str to str
        What is stated of the job: machine, serial, attachment, place, date, by, instrument, notes.
    """

    name: str
    title: str
    parameters: tuple[parts.Parameter, ...]
    readings: tuple[parts.Reading, ...]
    targets: tuple[Target, ...]
    derived: tuple[parts.Derived, ...]
    chain: Chain
    shot_sd: np.ndarray | None
    envelope: parts.Envelope
    definition: Mapping[str, Any]
    effort: schema.Effort
    edge_goal: float | None = None
    check_tolerance: float | None = None
    job: Mapping[str, str] = field(default_factory=dict)
    pose_columns: tuple[parts.PoseColumn, ...] = ()

    def __repr__(self) -> str:
        return (f"<Rig {self.name}: {len(self.parameters)} parameters, {len(self.readings)} "
                f"readings, {len(self.targets)} targets>")

    @cached_property
    def parameter_names(self) -> tuple[str, ...]:
        return tuple(p.name for p in self.parameters)

    @cached_property
    def reading_names(self) -> tuple[str, ...]:
        return tuple(r.name for r in self.readings)

    @cached_property
    def reading_factors(self) -> np.ndarray:
        """What readings (rad or m) are multiplied with for files and screens (deg or m)."""
        return np.array([1.0 / parts.factor_to_si(r.unit) for r in self.readings])

    @cached_property
    def strokes(self) -> dict[str, tuple[float, float]]:
        """The readings that are strokes, with the least and the most that they can be, m."""
        return {r.name: r.stroke for r in self.readings if r.stroke is not None}

    @cached_property
    def target_names(self) -> tuple[str, ...]:
        return tuple(t.name for t in self.targets)

    @cached_property
    def needed_columns(self) -> tuple[parts.PoseColumn, ...]:
        """What must be noted of each pose: parameters depend on it that are not held at 0."""
        at_work = {p.name for p in self.parameters if not p.held or p.start != 0}
        return tuple(c for c in self.pose_columns
                     if not at_work.isdisjoint(self.chain.told_by(c.name)))

    @cached_property
    def edge_targets(self) -> tuple[int, ...]:
        """Indices of the targets on the cutting edge."""
        return tuple(i for i, t in enumerate(self.targets) if t.name.startswith("edge"))

    @cached_property
    def marks(self) -> dict[str, tuple[str, ...]]:
        """The marks among the targets, and the parameters that are their coordinates."""
        return {t.name: names for t in self.targets if (names := mark_parameters(t))}

    @cached_property
    def moving_edge(self) -> frozenset[str]:
        """The parameters that the place of the edge depends on."""
        return frozenset().union(*(self.chain.moving(self.targets[i].name)
                                   for i in self.edge_targets))

    @cached_property
    def start(self) -> np.ndarray:
        """Starting values, shape (n_parameters,), m or rad."""
        return np.array([p.start for p in self.parameters])

    @cached_property
    def held(self) -> np.ndarray:
        """Mask of the parameters that are not estimated, shape (n_parameters,)."""
        return np.array([p.held for p in self.parameters])

    @cached_property
    def unplaced(self) -> np.ndarray:
        """Mask of the targets that no shot tells the place of, shape (n_targets,).

        They depend on a parameter that waits for the first such shot.
        """
        return np.array([self._waits(t.name) for t in self.targets])

    @cached_property
    def untold(self) -> frozenset[str]:
        """Quantities of the tape that say nothing of what is estimated: the held, and derived
        quantities of points that no shot tells the place of."""
        return frozenset((*(p.name for p in self.parameters if p.held),
                          *(d.name for d in self.derived
                            if self._waits(d.start) or self._waits(d.end))))

    def _waits(self, point: str) -> bool:
        """Whether the place of a target or frame depends on a parameter held until it is shot."""
        waiting = {p.name for p in self.parameters if p.until_shot and p.held}
        return bool(waiting) and not waiting.isdisjoint(self.chain.moving(point))

    def as_noted(self, columns: Mapping[str, np.ndarray], count: int) -> np.ndarray:
        """What is noted of so many poses, (count, n_pose_columns), 0 of columns not there."""
        nothing = np.zeros(count)
        return np.column_stack([np.zeros((count, 0)),
                                *(columns.get(c.name, nothing) for c in self.pose_columns)])

    def when_shot(self, targets: Iterable[int]) -> "Rig":
        """The rig for a run in which these targets are shot.

        Parameters that are held until shot are estimated where a target depends on them, and
        held where none does.

        Parameters
        ----------
        targets : iterable of int
            Indices; negative ones are nothing.
        """
        moving = {name for i in set(targets) if i >= 0
                  for name in self.chain.moving(self.targets[i].name)}
        parameters = tuple(replace(p, held=p.name not in moving) if p.until_shot else p
                           for p in self.parameters)
        if parameters == self.parameters:
            return self
        waiting = {p.name for p in parameters if p.until_shot}
        free = [name for name in self.definition["free"] if name not in waiting]
        free += [p.name for p in parameters if p.until_shot and not p.held]
        return replace(self, parameters=parameters, definition={**self.definition, "free": free})

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


def rig_from_dict(data: Mapping[str, Any]) -> Rig:
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
    named, shipped = data.get("template"), template_names()
    base = _template(named) if isinstance(named, str) and named in shipped else None
    problems = [] if base is not None or not isinstance(named, str) else [
        ("template", repr(named), "one of " + ", ".join(shipped))]
    try:
        entry = schema.RigEntry.model_validate(
            data if base is None else with_sensors_of(base, data))
    except ValidationError as error:
        errors = error.errors()
        raise schema.RigError([
            *dict.fromkeys(_in_words(e, errors, base) for e in errors), *problems]) from None
    if problems:
        raise schema.RigError(problems)
    if base is not None:
        entry, problems = merged(base, entry)
    entry, misfits = with_effects(entry)
    bad = mark_problems(entry)
    entry = with_marks(entry)
    problems += [*misfits, *bad, *(p for p in cross_check(entry, base) if not about_marks(p, bad))]
    if problems:
        raise schema.RigError(problems)
    return _build(entry)


def _in_words(error: Any, errors: list[Any], base: schema.RigEntry | None) -> schema.Problem:
    """The problem of a schema error; of a name that the template lacks, its names too."""
    table, *rest = key = tuple(map(str, error["loc"]))
    known = getattr(base, table, None)
    if error["type"] != "missing" or len(rest) != 2 or table == "parameters" \
            or not isinstance(known, Mapping) or rest[0] in known or not known:
        return (".".join(key), *schema.in_words(error))
    lacking = [f"no {e['loc'][2]}" for e in errors
               if e["type"] == "missing" and e["loc"][:2] == key[:2]]
    return (f"{table}.{rest[0]}", " and ".join(lacking),
            f"what a new one needs, or one that the template has: {', '.join(known)}")


@cache
def _template(name: str) -> schema.RigEntry:
    text = (resources.files("calib.chain") / "rigs" / f"{name}.toml").read_text("utf-8")
    data = tomllib.loads(text)
    if "template" not in data:
        return schema.RigEntry.model_validate(data)
    base = _template(data["template"])
    whole, _ = merged(base, schema.RigEntry.model_validate(with_sensors_of(base, data)))
    return schema.RigEntry.model_validate(_definition(whole))


def _definition(entry: schema.RigEntry) -> dict[str, Any]:
    """The whole description, from which the same rig is made without a template."""
    return entry.model_dump(mode="json", exclude_none=True, exclude={
        "template": True, "effects": True, "job": True,
        "motions": {"__all__": {"before", "after", "at"}}})


def _build(entry: schema.RigEntry) -> Rig:
    parameters = tuple(_parameter(entry, name) for name in entry.parameters)
    readings = tuple(_reading(entry, name) for name in entry.sensors)
    targets = tuple(
        Target(name, t.frame, tuple(_motion(m) for m in t.motions), t.means,
               tuple(t.shot_by or SHOT_BY))
        for name, t in entry.targets.items()
    )
    chain = Chain(tuple(_motion(m) for m in entry.motions), tuple(entry.parameters), readings,
                  targets, tuple(entry.pose_columns))
    return Rig(
        name=entry.name or "own",
        title=entry.title or entry.name or "Rig of your own",
        parameters=parameters,
        readings=readings,
        targets=targets,
        derived=tuple(parts.Derived(name, **dict(d)) for name, d in entry.derived.items()),
        chain=chain,
        shot_sd=_shot_sd(entry),
        envelope=_envelope(entry),
        definition=_definition(entry),
        effort=entry.effort or schema.Effort(),
        edge_goal=metres(entry.goal.edge) if entry.goal else None,
        check_tolerance=metres(entry.check.tolerance) if entry.check else None,
        job=entry.job.model_dump(exclude_none=True) if entry.job else {},
        pose_columns=tuple(parts.PoseColumn(name, c.words, c.means, tuple(c.on_ground))
                           for name, c in entry.pose_columns.items()),
    )


def _parameter(entry: schema.RigEntry, name: str) -> parts.Parameter:
    p = entry.parameters[name]
    unit = parts.factor_to_si(p.unit)
    least, most = entry.ranges.get(name, range_of(p))
    return parts.Parameter(
        name=name,
        unit=p.unit,
        start=unit * entry.values.get(name, p.start),
        held=name in entry.hold or (bool(p.held) and name not in entry.free),
        until_shot=p.held == schema.UNTIL_SHOT and name not in (*entry.hold, *entry.free),
        tape_sd=None if p.tape_sd is None else unit * p.tape_sd,
        means=p.means,
        least=unit * least,
        most=unit * most,
        stated=name in entry.values,
        near=p.near,
    )


def _reading(entry: schema.RigEntry, name: str) -> parts.Reading:
    sensor = entry.sensors[name]
    sd = entry.readings.sd.get(name)
    speed = entry.speeds.get(name, SLEW_SPEED if sensor.kind == "slew" else None)
    low, high = entry.limits.get(name, (-180.0, 180.0))
    direction = float(entry.readings.direction.get(name, sensor.direction))
    return parts.Reading(
        name=name,
        kind=sensor.kind,
        direction=direction,
        zero=sensor.zero,
        varying=sensor.varying or {},
        through=sensor.through,
        uses=sensor.uses or {},
        branch=float(sensor.branch or 1),
        sd=None if sd is None else sd * parts.factor_to_si(SENSOR_KINDS[sensor.kind].unit),
        low=np.radians(low),
        high=np.radians(high),
        speed=None if speed is None else np.radians(speed),
        means=sensor.means,
        optional=sensor.optional,
        stroke=_stroke_span(entry, sensor, direction) if sensor.kind == "stroke" else None,
    )


def _stroke_span(entry: schema.RigEntry, sensor: schema.SensorEntry, direction: float
                 ) -> tuple[float, float]:
    """What a stroke can be with the triangle of the rig file, and a little more, m."""
    def length(name: str | None) -> float:
        return entry.values.get(name, entry.parameters[name].start) if name else 0.0

    near, far = (length((sensor.uses or {})[side]) for side in ("near", "far"))
    room, closed = STROKE_ROOM * (near + far), length(sensor.zero)
    least, most = abs(near - far) - closed - room, near + far - closed + room
    return (least, most) if direction > 0 else (-most, -least)


def _motion(entry: schema.MotionEntry) -> Motion:
    turns = entry.rotate is not None
    return Motion(
        turns=turns,
        axis=AXES.index(entry.rotate if turns else entry.translate),
        constant=np.radians(entry.plus) if turns else entry.plus,
        by=dict(entry.by),
        joint=entry.joint,
        sense=float(entry.sense),
        frame=entry.frame,
        varying=tuple(Varying(v.by, v.times, v.of, v.to) for v in entry.varying or ()),
    )


def _shot_sd(entry: schema.RigEntry) -> np.ndarray | None:
    if entry.shots is None:
        return None
    sd = entry.shots.sd
    if sd.horizontal is not None:
        return np.array([sd.horizontal, sd.horizontal, sd.vertical])
    return np.array([sd.east, sd.north, sd.up])


def _envelope(entry: schema.RigEntry) -> parts.Envelope:
    e = entry.envelope
    assert e is not None  # as cross_check saw to
    return parts.Envelope(
        target=e.target,
        reaches=tuple(
            (r.name, {k: np.radians(v) for k, v in r.joints.items()}) for r in e.reaches
        ),
        sweep={k: np.radians(np.linspace(low, high, n)) for k, (low, high, n) in e.sweep.items()},
    )
