"""Effects: what bends, slips or runs out of true, as fragments of a rig file laid over a rig.

They are data (``effects.toml``): what an effect adds to a rig is written as a rig file would write
it, and merged as a rig file is.
"""

import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from calib.chain.merging import merged, with_sensors_of
from calib.chain.schema import Problem, RigEntry

#: Of an effect's fragment, what goes into the rig.
_FRAGMENT = ("free", "parameters", "motions", "sensors")


class _EffectEntry(BaseModel):
    """An effect as it is written."""

    model_config = ConfigDict(extra="forbid", defer_build=True)
    words: str
    at_edge: str = ""
    needs: str | None = None
    within: float | None = None
    members: list[str] = []
    trends: list[tuple[str, str] | tuple[str, str, Literal[1, -1]]] = []
    free: list[str] = []
    parameters: dict[str, Any] = {}
    motions: list[dict[str, Any]] = []
    sensors: dict[str, Any] = {}


@dataclass(frozen=True)
class Effect:
    """An effect that fits a rig."""

    name: str
    words: str  #: What is not as the rig has it.
    at_edge: str  #: What it does there; empty of one that is several.
    parameters: tuple[str, ...]  #: Which it estimates.
    #: The effects that it is made of; itself alone if it is not made of others.
    members: tuple[str, ...]
    needs: str | None  #: A column of readings.csv.
    #: How far its parameters can be from where they are held, m or rad, if their range does not say
    #: it.
    within: float | None
    #: What misses go with if it is there: component, what against, and the sign of the slope if
    #: that is always the same.
    trends: tuple[tuple[Any, ...], ...]
    there: bool  #: The rig estimates its parameters already.
    fragment: Mapping[str, Any]


def effects_of(definition: Mapping[str, Any]) -> dict[str, Effect]:
    """The effects that fit a rig, by name, in the order of ``effects.toml``.

    Parameters
    ----------
    definition : mapping
        That of a rig (`calib.chain.rig.Rig.definition`).

    Returns
    -------
    dict of str to Effect
        Of those that the rig has already too.

    Notes
    -----
    An effect fits if the rig has the frames, sensors and held parameters that it names, does not
    hold these by the user's own word, and has nothing else of the names that it adds.
    """
    return _fitting(RigEntry.model_validate(definition))


def _fitting(entry: RigEntry) -> dict[str, Effect]:
    fitting: dict[str, Effect] = {}
    for pattern, written in _shipped().items():
        for names in _instances(entry, written.get("each")):
            name = _filled(pattern, names)
            effect = _effect(entry, name, _EffectEntry.model_validate(_filled(written, names)),
                             fitting)
            if effect is not None:
                fitting[name] = effect
    return fitting


def with_effects(entry: RigEntry) -> tuple[RigEntry, list[Problem]]:
    """A rig with the effects that it lists laid over it, and what is wrong with the list."""
    fitting = _fitting(entry) if entry.effects else {}
    problems = [(f"effects.{name}", repr(name),
                 f"an effect that fits this rig: one of {', '.join(fitting)}")
                for name in entry.effects if name not in fitting]
    chosen = [name for name in entry.effects if name in fitting]
    members = dict.fromkeys(m for name in chosen for m in fitting[name].members)
    for name in members:
        if not fitting[name].there:
            entry, more = _laid_over(entry, fitting[name].fragment)
            problems += more
    return entry.model_copy(update={"effects": []}), problems


@cache
def _shipped() -> dict[str, Any]:
    text = (resources.files("calib.chain") / "effects.toml").read_text("utf-8")
    return tomllib.loads(text)


def _instances(entry: RigEntry, each: Any) -> Iterable[dict[str, str]]:
    """What stands for the names in braces, once for each effect of a pattern."""
    if each is None:
        return [{}]
    frame_of = {m.joint: m.frame for m in entry.motions if m.joint}
    return [{"reading": name, "frame": frame_of.get(name) or ""}
            for name, sensor in entry.sensors.items()
            if sensor.kind in each.get("kind", [sensor.kind]) and name in each.get("name", [name])
            and (name in entry.speeds or not each.get("driven"))]


def _filled(written: Any, names: Mapping[str, str]) -> Any:
    """The same with the names in braces filled in, keys too."""
    if isinstance(written, str):
        for key, name in names.items():
            written = written.replace("{" + key + "}", name)
        return written
    if isinstance(written, Mapping):
        return {_filled(k, names): _filled(v, names) for k, v in written.items() if k != "each"}
    if isinstance(written, list):
        return [_filled(item, names) for item in written]
    return written


def _effect(entry: RigEntry, name: str, written: _EffectEntry,
            fitting: Mapping[str, Effect]) -> Effect | None:
    """The effect if it fits the rig."""
    if written.members:
        members = tuple(m for m in written.members if m in fitting)
        if len(members) < 2:
            return None
        parts = [fitting[m] for m in members]
        needs = {p.needs for p in parts if p.needs}
        return Effect(name, written.words, "", tuple(n for p in parts for n in p.parameters),
                      members, min(needs, default=None), None, (), all(p.there for p in parts), {})
    parameters = (*written.free, *written.parameters)
    own = {p: entry.parameters[p] for p in parameters if p in entry.parameters}
    held = {p for p in own if p in entry.hold or (own[p].held and p not in entry.free)}
    frames = {m.frame for m in entry.motions if m.frame}
    places = {place for m in written.motions for place in (
        m.get("before") or m.get("after"), *(v["to"] for v in m.get("varying", ()) if "to" in v))}
    if (not set(written.free) <= set(own) or held & {*written.parameters, *entry.hold}
            or not places <= frames or not set(written.sensors) <= set(entry.sensors)
            or (written.needs is not None and written.needs not in entry.pose_columns)
            or any((entry.sensors[s].uses or {}).get(k, p) != p for s, change in
                   written.sensors.items() for k, p in change.get("uses", {}).items())
            or 0 < len(own.keys() & written.parameters.keys()) < len(written.parameters)):
        return None
    angle = any(entry.parameters[p].unit == "deg" for p in written.free)
    within = written.within and (math.radians(written.within) if angle else written.within)
    return Effect(name, written.words, written.at_edge, parameters, (name,), written.needs, within,
                  tuple(written.trends), len(own) == len(parameters) and not held,
                  written.model_dump(include=set(_FRAGMENT), exclude_unset=True))


def _laid_over(entry: RigEntry, fragment: Mapping[str, Any]) -> tuple[RigEntry, list[Problem]]:
    """A rig with a fragment merged into it."""
    sensors = {name: {**sensor, "uses": {**(entry.sensors[name].uses or {}), **sensor["uses"]}}
               if "uses" in sensor else sensor
               for name, sensor in fragment.get("sensors", {}).items()}
    changes = RigEntry.model_validate(
        {**with_sensors_of(entry, {**fragment, "sensors": sensors})})
    kept = {key: getattr(entry, key) for key in ("hold", "values", "shots", "readings", "effects")}
    free = [*entry.free, *(name for name in changes.free if name not in entry.free)]
    laid, problems = merged(entry, changes.model_copy(update={**kept, "free": free}))
    # Where they went is done; written in a list of its own, a rig has no other to go into.
    was = {id(m) for m in entry.motions}
    motions = [m if id(m) in was else m.model_copy(update={"before": None, "after": None})
               for m in laid.motions]
    return laid.model_copy(update={"motions": motions}), problems
