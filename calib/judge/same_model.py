"""Whether two results are of one model of the machine, or of two, or of one described otherwise.

A parameter can have moved only between results that mean the same by it: the same chain of
motions, sensors that count the same way, and the same values of all that was held and matters.
Two results may also describe one machine by different numbers: corners exchanged in every pose
turn the sign of the width, exchanged columns exchange two lengths. Then nothing has moved either.
"""

from dataclasses import dataclass
from itertools import combinations, permutations

import numpy as np

from calib.chain.rig import Rig
from calib.edge import edge_positions, envelope_edge
from calib.judge.common import difference
from calib.judge.survey import Survey

#: Held values closer than this are the same, m or rad.
SAME = 1e-9

#: The edge is the same if it is off by less than this share of what the numbers' differences mean.
_SHARE = 0.2

#: Only such a difference, m at the edge, is looked at as another description of the same machine.
_LARGE = 0.1


#: What two results may not model alike: the rest of `ModelDifference` depends on it.
CHAIN, DIRECTION, SENSOR, TARGET, HELD = "chain", "direction", "sensor", "target", "held"


@dataclass(frozen=True)
class ModelDifference:
    """Something that two results do not model alike."""

    kind: str  #: "chain", "direction", "sensor", "target" or "held".
    name: str  #: Of the reading, target or parameter; empty for the chain.
    #: older, newer: object. How each has it: the title of the rig; the direction; kind, zero and
    #: what varies the sensor; nothing for a target; the value (m or rad) at which a parameter is
    #: held, None if it is estimated.
    older: object = None
    newer: object = None
    unit: str = ""  #: Of a parameter.


@dataclass(frozen=True)
class OneMachine:
    """One machine in different numbers."""

    exchanged: tuple[str, ...]  #: Points of the edge.
    off: float  #: What the edges differ by, rms, m.
    meant: float  #: What they would if the numbers were of the same points, rms, m.


@dataclass(frozen=True)
class ExchangedLengths:
    """Two lengths that took each other's value."""

    one: str
    other: str


def model_differences(older: Survey, newer: Survey) -> tuple[ModelDifference, ...]:
    """What two results model differently: rig, sensors, targets, what was held and at what."""
    return (*structure_differences(older, newer), *_held_differences(older, newer))


def structure_differences(older: Survey, newer: Survey) -> tuple[ModelDifference, ...]:
    """Differences of chain, sensors and targets: with any, equal names need not mean the same."""
    a, b = older.rig, newer.rig
    targets = b.definition["targets"]
    return (*chain_differences(a, b), *(
        ModelDifference(TARGET, name) for name in older.targets if name in newer.targets
        and _plain(a.definition["targets"][name]) != _plain(targets[name])))


def chain_differences(a: Rig, b: Rig) -> tuple[ModelDifference, ...]:
    """What two rigs have differently of the chain itself, and of the sensors that both have."""
    found = []
    if _plain(a.definition["motions"]) != _plain(b.definition["motions"]):
        found.append(ModelDifference(CHAIN, "", a.title, b.title))
    readings = {r.name: r for r in b.readings}
    for one in a.readings:
        other = readings.get(one.name)
        if other is not None and one.direction != other.direction:
            found.append(ModelDifference(DIRECTION, one.name, one.direction, other.direction))
        if other is not None and _sensor(one) != _sensor(other):
            found.append(ModelDifference(SENSOR, one.name, _sensor(one), _sensor(other)))
    return tuple(found)


def _held_differences(older, newer):
    """Parameters held in one result only, or in both at different values, where that matters."""
    matters = older.mattering() & newer.mattering()
    for name in older.rig.parameter_names:
        if name not in matters or (name in older.estimated and name in newer.estimated):
            continue
        held = [name not in survey.estimated for survey in (older, newer)]
        if all(held) and abs(difference(older, newer, [name])[0]) <= SAME:
            continue
        values = [float(survey.parameters[survey.index([name])[0]]) if of_held else None
                  for survey, of_held in zip((older, newer), held, strict=True)]
        yield ModelDifference(HELD, name, values[0], values[1], older.units([name])[0])


def _sensor(reading):
    return reading.kind, reading.zero, tuple(reading.varying.items())


def _plain(record):
    """A record without its words for people and how it is shot."""
    if isinstance(record, dict):
        return {k: _plain(v) for k, v in record.items() if k not in ("means", "shot_by")}
    return [_plain(v) for v in record] if isinstance(record, list) else record


def described_otherwise(older: Survey, newer: Survey
                        ) -> OneMachine | ExchangedLengths | None:
    """How two results of one chain put one machine into different numbers; None if they do not."""
    names = older.rig.parameter_names
    if names != newer.rig.parameter_names:
        return None
    change = difference(older, newer, names)
    nodes = envelope_edge(older.rig, older.parameters)
    meant = float(np.sqrt(change @ nodes.mean_square_form() @ change))
    if meant > _LARGE:
        exchanged, off = _best_labels(nodes, newer)
        if off < _SHARE * meant:
            return OneMachine(tuple(exchanged), off, meant)
    pair = _exchanged_lengths(older, newer, names)
    return None if pair is None else ExchangedLengths(*pair)


def _best_labels(nodes, newer):
    """Names of the edge points exchanged for the closest match, and how far it is off, m."""
    rig = nodes.rig
    seen, _ = edge_positions(newer.rig, newer.parameters, nodes.readings, nodes.targets)
    between = seen.position[nodes.seen][:, None, :, :] - nodes.position[nodes.seen][:, :, None, :]
    square = np.mean(np.sum(between**2, axis=3), axis=0)
    count = range(len(nodes.targets))
    best = min(permutations(count), key=lambda order: sum(square[i, order[i]] for i in count))
    exchanged = [rig.target_names[nodes.targets[i]] for i in count if best[i] != i]
    return exchanged, float(np.sqrt(np.mean([square[i, best[i]] for i in count])))


def _exchanged_lengths(older, newer, names):
    """Two lengths that took each other's value, each far from its own."""
    lengths = [n for n, unit in zip(names, older.units(names), strict=True)
               if unit == "m" and n in older.estimated and n in newer.estimated]
    before = dict(zip(lengths, older.parameters[older.index(lengths)], strict=True))
    after = dict(zip(lengths, newer.parameters[newer.index(lengths)], strict=True))
    for a, b in combinations(lengths, 2):
        apart = abs(before[a] - before[b])
        crossed = max(abs(after[a] - before[b]), abs(after[b] - before[a]))
        if apart > _LARGE and crossed < _SHARE * apart:
            return a, b
    return None
