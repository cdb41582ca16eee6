"""A list of entries for a rig: the values that a system asks for, and their derivatives."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from calib.chain.chain import Chain, Target
from calib.chain.derived import NO_LENGTH, derived_values, of_line
from calib.chain.motion import HOUSE_PLACEMENT, Motion
from calib.chain.rig import Rig
from calib.entries.schema import (
    ALONG,
    EntriesError,
    Entry,
    ListSchema,
    checked,
    sound_entries,
)


@dataclass(frozen=True)
class EntryList:
    """All values that a system asks for."""

    rig: Rig
    title: str
    entries: tuple[Entry, ...]
    known: Mapping[str, float]  #: Parameters that the system takes for granted, m or rad.
    definition: Mapping  #: As in the file; `entry_list` makes the same list from it.

    @cached_property
    def names(self) -> tuple[str, ...]:
        return tuple(e.name for e in self.entries)

    @cached_property
    def steps(self) -> np.ndarray:
        """Shape (n,), in the entries' own units."""
        return np.array([e.step for e in self.entries])

    @cached_property
    def turns(self) -> np.ndarray:
        """A whole turn in the unit of each entry, shape (n,); inf for a length."""
        return np.array([2 * np.pi / e.size if e.kind == "deg" else np.inf for e in self.entries])

    def short_way(self, off: np.ndarray) -> np.ndarray:
        """Differences of values, angles within half a turn; shape (n,)."""
        turns = np.where(np.isfinite(off / self.turns), np.round(off / self.turns), 0.0)
        return off - np.where(np.isfinite(self.turns), self.turns, 0.0) * turns

    @cached_property
    def scale(self) -> np.ndarray:
        """Own units per m or rad, signs included, shape (n,)."""
        return np.array([e.sign / e.size for e in self.entries])

    @cached_property
    def plus(self) -> np.ndarray:
        """What the system adds, in the entries' own units, shape (n,)."""
        return np.array([e.plus for e in self.entries])

    @cached_property
    def weights(self) -> np.ndarray:
        """Of parameters and derived quantities in each entry, shape (n, p + d)."""
        own = (*self.rig.parameter_names, *(d.name for d in self.rig.derived))
        weights = np.zeros((len(self.entries), len(own)))
        for row, entry in enumerate(self.entries):
            for name, weight in entry.weights.items():
                weights[row, own.index(name)] = weight
        return weights

    @cached_property
    def measured(self) -> tuple[np.ndarray, list[Entry]]:
        """Numbers of the entries that are measures, and those."""
        rows = [i for i, e in enumerate(self.entries) if e.measure is not None]
        return np.array(rows, int), [self.entries[i] for i in rows]

    @cached_property
    def with_axes(self) -> tuple[Chain, dict[object, int]]:
        """The chain given joint angles directly; index of targets, of frames' origins, and of a
        point a metre along each axis of each frame."""
        return _with_axes(self.rig)


def entry_list(data: Mapping, rig: Rig) -> EntryList:
    """The list that a mapping describes, for a rig.

    Parameters
    ----------
    data : mapping
        As ``tomllib`` gives entries.toml.

    Raises
    ------
    EntriesError
        With every problem found.
    """
    problems, schema = [], None
    try:
        schema = checked(data)
        problems += _known_problems(schema, rig)
    except EntriesError as error:
        problems += error.problems
    sound = sound_entries(data)
    problems += _repeated(sound)
    told = {key for key, *_ in problems}
    for i, entry in sound.items():
        problems += (p for p in _problems(entry, f"entry.{i}", rig) if p[0] not in told)
    if problems or schema is None:
        raise EntriesError(problems)
    units = {p.name: p.unit for p in rig.parameters}
    return EntryList(
        rig=rig,
        title=schema.title or "",
        entries=tuple(schema.entry),
        known={name: np.radians(value) if units[name] == "deg" else value
               for name, value in schema.known.items()},
        definition=schema.model_dump(by_alias=True, exclude_defaults=True),
    )


def parameter_list(rig: Rig) -> EntryList:
    """The rig's own parameters that move the edge, in mm and hundredths of a degree."""
    asked = [p for p in rig.parameters if p.name in rig.moving_edge]
    return entry_list({"title": "the rig's own parameters", "entry": [
        {"name": p.name, "unit": "deg" if p.unit == "deg" else "mm", "is": p.name}
        for p in asked]}, rig)


def _repeated(entries: Mapping[int, Entry]):
    seen: set[str] = set()
    for i, entry in entries.items():
        if entry.name.casefold() in seen:
            yield f"entry.{i}.name", repr(entry.name), "each name once"
        seen.add(entry.name.casefold())


def _known_problems(schema: ListSchema, rig: Rig):
    asked = {entry.is_: entry.name for entry in schema.entry}
    for name in schema.known:
        if name in asked:
            yield (f"known.{name}", f"{name!r}, which the entry {asked[name]!r} is",
                   "it typed, or known to the system: one of the two")
        if name not in rig.parameter_names:
            yield (f"known.{name}", repr(name),
                   "a parameter of the rig: " + ", ".join(rig.parameter_names))


def _problems(entry: Entry, key: str, rig: Rig):
    """What an entry names that the rig does not have."""
    units = {p.name: p.unit for p in rig.parameters} | {d.name: d.unit for d in rig.derived}
    if entry.measure is not None:
        if (entry.measure in ALONG) != (entry.kind == "m"):
            yield f"{key}.unit", repr(entry.unit), f"the unit of a {entry.measure}"
        points = (*rig.target_names, *rig.chain.depth)
        for part, name in (("from", entry.from_), ("to", entry.to), ("corner", entry.corner)):
            if name is not None and name not in points:
                yield f"{key}.{part}", repr(name), "a target, mark or frame: " + ", ".join(points)
        if entry.axes is not None and entry.axes not in rig.chain.depth:
            yield f"{key}.axes", repr(entry.axes), "a frame: " + ", ".join(rig.chain.depth)
        for joint in entry.at:
            if joint not in rig.reading_names:
                yield f"{key}.at.{joint}", repr(joint), "a joint: " + ", ".join(rig.reading_names)
        return
    part = "sum" if entry.sum is not None else "is"
    for name in entry.weights:
        if name not in units:
            yield (f"{key}.{part}", repr(name), "a parameter or derived quantity of the rig: "
                   + ", ".join(units))
        elif units[name] != entry.kind:
            what = "an angle" if units[name] == "deg" else "a length"
            yield f"{key}.unit", repr(entry.unit), f"a unit of {what}, as {name} is"


def entry_values(entries: EntryList, parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What the system asks for, of a machine, not rounded.

    Parameters
    ----------
    parameters : ndarray, shape (p,)
        m or rad.

    Returns
    -------
    values : ndarray, shape (n,)
        In the entries' own units.
    gradient : ndarray, shape (n, p)
        Per m or rad.
    """
    p, weights = len(parameters), entries.weights
    quantity, gradient = weights[:, :p] @ parameters, weights[:, :p].copy()
    if weights[:, p:].any():
        derived, by_parameters = derived_values(entries.rig, parameters)
        quantity += weights[:, p:] @ derived
        gradient += weights[:, p:] @ by_parameters
    rows, measures = entries.measured
    if measures:
        (quantity[rows],), (gradient[rows],) = _measured(entries, parameters[None], True)
    scale = entries.scale
    return scale * quantity + entries.plus, scale[:, None] * gradient


def values_alone(entries: EntryList, parameters: np.ndarray) -> np.ndarray:
    """The values of `entry_values` of many machines, (m, p), in a fraction of its time: (m, n)."""
    p, weights = parameters.shape[1], entries.weights
    quantity = parameters @ weights[:, :p].T
    if weights[:, p:].any():
        quantity += derived_values(entries.rig, parameters)[0] @ weights[:, p:].T
    rows, measures = entries.measured
    if measures:
        quantity[:, rows] = _measured(entries, parameters, False)[0]
    return entries.scale * quantity + entries.plus


def _measured(entries, parameters, jacobian):
    """Values in m and rad of each machine, (m, n), each measure at its own posture.

    And their gradients, (m, n, p); without a column if `jacobian` is false.
    """
    (_, measures), (chain, index) = entries.measured, entries.with_axes
    many, n = len(parameters), len(measures)
    joints = np.radians([[m.at.get(name, 0.0) for name in entries.rig.reading_names]
                         for m in measures])
    posture = chain.posture(parameters, HOUSE_PLACEMENT, np.tile(joints, (many, 1)), jacobian)
    frames = [m.axes for m in measures if m.axes]
    names = [*(m.from_ for m in measures), *(m.to for m in measures),
             *(m.corner or m.from_ for m in measures)]
    names += [(m.axes or frame, k) for frame in frames[:1] for k in (None, 0, 1, 2)
              for m in measures]
    target = np.repeat(np.reshape([index[name] for name in names], (-1, 1, n)), many, axis=1)
    found = posture.points(target.ravel(), np.tile(np.arange(many * n), len(target)))
    at = found.position.reshape(*target.shape, 3)
    by = found.by_parameters.reshape(*at.shape, found.by_parameters.shape[-1])
    arm, by_arm = at[1] - at[0], by[1] - by[0]
    if frames:  # components along the axes of a frame, where one is named
        framed = np.array([m.axes is not None for m in measures])
        axes, by_axes = at[4:] - at[3], by[4:] - by[3]
        along = np.einsum("kmni,mni->mnk", axes, arm)
        by_along = (np.einsum("kmni,mnip->mnkp", axes, by_arm)
                    + np.einsum("mni,kmnip->mnkp", arm, by_axes))
        arm = np.where(framed[:, None], along, arm)
        by_arm = np.where(framed[:, None, None], by_along, by_arm)
    values, gradients = np.empty((many, n)), np.empty((many, n, by.shape[-1]))
    for i, m in enumerate(measures):
        if m.measure == "angle":
            legs, by_legs = at[:2, :, i] - at[2, :, i], by[:2, :, i] - by[2, :, i]
            values[:, i], slopes = _angle_at(*legs)
            gradients[:, i] = np.einsum("kmi,kmip->mp", slopes, by_legs)
        else:
            values[:, i], slope = of_line(m.measure, arm[:, i])
            gradients[:, i] = np.einsum("mi,mip->mp", slope, by_arm[:, i])
    return values, gradients


def _angle_at(a, b):
    """The angles between arms, (m, 3) each, and their derivatives by these, (2, m, 3)."""
    la, lb = (np.maximum(np.linalg.norm(v, axis=1), NO_LENGTH)[:, None] for v in (a, b))
    cosine = np.sum(a * b, axis=1, keepdims=True) / (la * lb)
    sine = np.maximum(np.linalg.norm(np.cross(a, b), axis=1)[:, None] / (la * lb), NO_LENGTH)
    slopes = [b / (la * lb) - cosine * a / la**2, a / (la * lb) - cosine * b / lb**2]
    return np.arctan2(sine, cosine)[:, 0], -np.array(slopes) / sine


def _with_axes(rig):
    direct = rig.chain.with_direct_joints
    named: list[tuple[object, Target]] = [(t.name, t) for t in direct.targets]
    for frame in direct.depth:
        origin = Target(frame, frame, (), "origin of a frame")
        named += [(frame, origin), ((frame, None), origin)]
        named += [((frame, k), Target(f"{frame} axis {k}", frame,
                                      (Motion(turns=False, axis=k, constant=1.0),), ""))
                  for k in range(3)]
    index: dict[object, int] = {}
    for i, (name, _) in enumerate(named):
        index.setdefault(name, i)  # a target of the same name as a frame wins
    return replace(direct, targets=tuple(t for _, t in named)), index
