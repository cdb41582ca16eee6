"""A rig in words: how each frame comes from the one before, its quantities, and what tells them."""

import numpy as np

from calib.adjust.spectrum import Direction
from calib.chain.basis import OF_READING
from calib.chain.motion import PLACEMENT, Motion
from calib.chain.parts import Parameter
from calib.chain.rig import Rig
from calib.judge.structure import Structure
from calib.report.blocks import Cell, Items, Section, Table, Text
from calib.report.spoken import spoken

_MOVED = (("forward", "back"), ("left", "right"), ("up", "down"))
_TURNED = (("left side up", "right side up"), ("front down", "front up"),
           ("counter-clockwise seen from above", "clockwise seen from above"))


def rig_list(rigs: list[Rig]) -> list[Section]:
    """The shipped rigs."""
    rows: list[list[Cell]] = [
        [rig.name, str(int((~rig.held).sum())), ", ".join(rig.reading_names), rig.title]
        for rig in rigs]
    return [Section("rigs", "Rigs", (
        Table("Shipped rigs", ("name", "parameters", "readings", "what"), rows, wide=(2, 3)),))]


def rig_sections(rig: Rig) -> list[Section]:
    """Title, motions, parameters, sensors, targets, quantities for the tape."""
    return [Section("rig", rig.title, (
        Text((f"{rig.name}: {rig.title}",)),
        Table("How each frame comes from the one before it: x forward, y left, z up",
              ("frame", "from the one before", "targets on it"), _frames(rig), wide=(1, 2)),
        Table("Parameters", ("name", "unit", "start", "from", "to", "is", "means"),
              [_parameter(p) for p in rig.parameters], wide=(6,)),
        Table("Sensors", ("reading", "angle of", "zero", "means"),
              [[r.name, _KINDS[r.kind], r.zero or "-", r.means + _linkage(r) + _also(r)]
               for r in rig.readings], wide=(3,)),
        Table("Targets", ("name", "on", "from the frame's origin", "means"),
              [[t.name, t.frame, _motions(t.motions) or "at it", t.means + _ways(t)]
               for t in rig.targets], wide=(2, 3)),
        *((Table("What readings.csv may note of a pose", ("column", "in words", "means"),
                 [[c.name, " or ".join(c.words), c.means] for c in rig.pose_columns], wide=(2,)),)
          if rig.pose_columns else ()),
        *((Table("Quantities computed from them, joints at zero", ("name", "unit", "means"),
                 [[d.name, d.unit, d.means] for d in rig.derived], wide=(2,)),)
          if rig.derived else ()),
    ))]


def structure_sections(rig: Rig, found: Structure) -> list[Section]:
    """What shots can tell of a rig, and which of its parameters are one thing to them."""
    lines = [
        *_told("Shots of the edge", found.n_edge, found.by_edge),
        *_told("Shots of every target", found.n_all, found.by_all),
    ]
    held = [("held", (_freed(name, by_edge, by_all),)) for name, by_edge, by_all in found.held]
    return [Section("structure", rig.title, (
        Text((f"{rig.name}: {rig.title}. Random poses on one stand, the house level:",)),
        Items(tuple(lines + held)),
    ))]


_KINDS = {"joint": "its joint", "in_boom_plane": "inclination in the boom plane",
          "across": "inclination across, as a level laid across it shows",
          "stroke": "what a cylinder has pushed out, m"}
_LINKAGES = {"four_bar": "on a link of a four-bar linkage",
             "triangle": "a cylinder that makes a triangle with the joint"}


def _told(what, count, directions):
    if not directions:
        return [("determined", (f"{what} tell all {count} parameters and where the stand is.",))]
    return [("NOT DETERMINED", (f"{what} {_cannot(direction, direction.names[0])}.",))
            for direction in directions]


def _freed(name, by_edge, by_all):
    """What would be if a parameter that is held were estimated too."""
    if by_all is not None:
        return f"{name}: shots of every target {_cannot(by_all, name)}."
    if by_edge is not None:
        return f"{name}: shots of the edge {_cannot(by_edge, name)}; those of every target can."
    return f"{name}: shots of the edge could tell it, if it were free."


def _cannot(direction: Direction, name: str) -> str:
    """What shots cannot do about a parameter that is in a direction which nothing determines."""
    others = [n for n in direction.names if n != name]
    if not others:
        return f"do not depend on {name}"
    listed = " and ".join(filter(None, (", ".join(others[:-1]), others[-1])))
    return f"cannot tell {name} from {listed}"


def _frames(rig):
    rows, since = [], []
    for motion in rig.chain.motions:
        since.append(motion)
        if motion.frame:
            on_it = ", ".join(t.name for t in rig.targets if t.frame == motion.frame)
            rows.append([motion.frame, _motions(since), on_it or "-"])
            since = []
    if since:
        rows.append(["(nothing on it)", _motions(since), "-"])
    return rows


def _motions(motions) -> str:
    placed = [name for m in motions for name in m.by if name in PLACEMENT]
    said = [f"placed by the stand's {', '.join(placed)}"] if placed else []
    said += [motion_words(m) for m in motions if not set(m.by) & set(PLACEMENT)]
    return ", ".join(filter(None, said))


def motion_words(motion: Motion) -> str:
    """A motion as a person would say it.

    Examples
    --------
    >>> motion_words(Motion(False, 2, by={"edge_drop": -1.0}))
    'down by edge_drop'
    >>> motion_words(Motion(True, 1, joint="boom", sense=-1.0))
    'turned front up by the joint boom'
    """
    ways = (_TURNED if motion.turns else _MOVED)[motion.axis]
    terms = [(factor, name) for name, factor in motion.by.items()]
    if motion.joint:
        terms.append((motion.sense, f"the joint {motion.joint}"))
    terms += [(factor, f"{name} times the {v.times} {v.of}")
              for v in motion.varying for name, factor in v.by.items()]
    said = [f"{ways[factor < 0]} by {'' if abs(factor) == 1 else f'{abs(factor):g} '}{name}"
            for factor, name in terms]
    if motion.constant:
        unit, amount = ("deg", np.degrees(motion.constant)) if motion.turns \
            else ("m", motion.constant)
        said.append(f"{ways[int(amount < 0)]} by {abs(amount):g} {unit}")
    return ("turned " if motion.turns and said else "") + " and ".join(said)


def _parameter(p: Parameter):
    factor = np.degrees(1.0) if p.unit == "deg" else 1.0
    is_ = "estimated once shot" if p.until_shot else "held" if p.held else "estimated"
    ends = [f"{factor * b:g}" if np.isfinite(b) else "-" for b in (p.least, p.most)]
    return [p.name, p.unit, f"{factor * p.start:g}", *ends, is_, p.means]


def _linkage(reading):
    """What is between the sensor and its joint, and what it is turned by."""
    parts = ", ".join(f"{spoken(name)} {parameter}"
                      for name, parameter in reading.uses.items())
    if not reading.through:
        return f"; {parts}" if parts else ""
    way = "turned on" if reading.branch > 0 else "turned back"
    return f"; {_LINKAGES[reading.through]} ({parts}; {way})"


def _also(reading):
    return "".join(f"; and {name} times {'its ' if times in OF_READING else ''}{times}"
                   for name, times in reading.varying.items())


def _ways(target):
    """How it is shot, if not in every way."""
    return "" if len(target.shot_by) > 2 else f" (shot by {' or '.join(target.shot_by)})"
