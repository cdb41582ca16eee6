"""Whether two results are of one model of the machine, or of two, or of one described otherwise.

A parameter can have moved only between results that mean the same by it: the same chain of
motions, sensors that count the same way, and the same values of all that was held and matters.
Two results may also describe one machine by different numbers: corners exchanged in every pose
turn the sign of the width, exchanged columns exchange two lengths. Then nothing has moved either.
"""

from dataclasses import dataclass
from itertools import combinations, permutations

import numpy as np

from calib.chain.angles import wrapped
from calib.edge import edge_positions, envelope_edge
from calib.judge.survey import Survey, difference

#: Held values closer than this are the same, m or rad.
SAME = 1e-9

#: The edge is the same if it is off by less than this share of what the numbers' differences mean.
_SHARE = 0.2

#: Only such a difference, m at the edge, is looked at as another description of the same machine.
_LARGE = 0.1


@dataclass(frozen=True)
class ModelDifference:
    """Something that two results do not model alike.

    Attributes
    ----------
    what : str
        A parameter's name, or what of the rig is another.
    older, newer : str
        How each has it, in words.
    """

    what: str
    older: str
    newer: str

    @property
    def says(self) -> str:
        return f"{self.what} is {self.older} in the older and {self.newer} in the newer"


def model_differences(older: Survey, newer: Survey) -> tuple[ModelDifference, ...]:
    """What two results model differently: rig, sensors, targets, what was held and at what."""
    return (*structure_differences(older, newer), *_held_differences(older, newer))


def structure_differences(older: Survey, newer: Survey) -> tuple[ModelDifference, ...]:
    """Differences of the chain itself: with any, equal names need not mean the same."""
    found = []
    a, b = older.rig, newer.rig
    if _plain(a.definition["motions"]) != _plain(b.definition["motions"]):
        found.append(ModelDifference("the chain of motions", f"that of {a.title}",
                                     f"that of {b.title}"))
    readings = {r.name: r for r in b.readings}
    for one in a.readings:
        other = readings.get(one.name)
        if other is not None and one.direction != other.direction:
            found.append(ModelDifference(f"the direction of {one.name}", f"{one.direction:+.0f}",
                                         f"{other.direction:+.0f}"))
        if other is not None and _sensor(one) != _sensor(other):
            found.append(ModelDifference(f"the sensor {one.name}", _sensor(one), _sensor(other)))
    targets = b.definition["targets"]
    for name in older.targets:
        if name in newer.targets and _plain(a.definition["targets"][name]) != _plain(targets[name]):
            found.append(ModelDifference(f"the target {name}", "one point of the machine",
                                         "another"))
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
        yield ModelDifference(name, *(_held_words(survey, name) for survey in (older, newer)))


def _held_words(survey, name):
    if name in survey.estimated:
        return "estimated"
    (i,), (unit,) = survey.index([name]), survey.units([name])
    value = survey.parameters[i]
    shown = f"{np.degrees(wrapped(value)):.6g} deg" if unit == "deg" else f"{1000 * value:.6g} mm"
    return f"held at {shown}"


def _sensor(reading):
    also = "".join(f" and {name} times {times}" for name, times in reading.varying.items())
    return f"of kind {reading.kind} with the zero {reading.zero}{also}"


def _plain(record):
    """A record without its words for people and how it is shot."""
    if isinstance(record, dict):
        return {k: _plain(v) for k, v in record.items() if k not in ("means", "shot_by")}
    return [_plain(v) for v in record] if isinstance(record, list) else record


def described_otherwise(older: Survey, newer: Survey) -> str | None:
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
            how = f"with {' and '.join(exchanged)} exchanged" if exchanged else "by other numbers"
            return (f"Both describe one machine {how}: the edge is the same within "
                    f"{1000 * off:.0f} mm (rms), although the numbers differ as for "
                    f"{1000 * meant:.0f} mm")
    pair = _exchanged_lengths(older, newer, names)
    return None if pair is None else (
        f"{pair[0]} and {pair[1]} have exchanged their values: in one of the results their "
        "reading columns are exchanged")


def _best_labels(nodes, newer):
    """Names of the edge points exchanged for the closest match, and how far it is off, m."""
    rig = nodes.rig
    seen = edge_positions(newer.rig, newer.parameters, nodes.readings, nodes.targets)[0]
    between = seen[nodes.seen][:, None, :, :] - nodes.position[nodes.seen][:, :, None, :]
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
