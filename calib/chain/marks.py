"""Marks: points of unknown place on any member of the machine, as targets with three parameters."""

import re

from calib.chain import schema
from calib.chain.chain import Target
from calib.chain.motion import PLACEMENT

#: Where a mark is in its frame, along x, y and z.
COORDINATES = {"ahead": "forward", "left": "left", "above": "up"}

#: A mark is no further from the origin of its frame, m.
_FURTHEST = 20.0

#: What careful taping of a mark's coordinates reaches, 1 sd, m (common practice, no source).
_TAPE_SD = 0.01

# As intake takes them from point ids.
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


def with_marks(entry: schema.RigEntry) -> schema.RigEntry:
    """A rig file with its marks written out as parameters and targets.

    The parameters of a mark NAME are NAME_ahead, NAME_left and NAME_above: its coordinates in the
    frame it is on, estimated once it is shot.
    """
    parameters, targets = dict(entry.parameters), dict(entry.targets)
    for name, mark in entry.marks.items():
        frame = mark.on.replace("_", " ")
        for (along, word), near in zip(COORDINATES.items(), mark.near, strict=True):
            parameters[f"{name}_{along}"] = schema.ParameterEntry(
                unit="m", start=near, least=-_FURTHEST, most=_FURTHEST, held=schema.UNTIL_SHOT,
                tape_sd=mark.sd or _TAPE_SD, near=mark.sd is not None,
                means=f"origin of the {frame} frame {word} to the mark {name}")
        targets[name] = schema.TargetEntry(
            frame=mark.on, means=f"mark {name} on the {frame} frame", shot_by=mark.shot_by,
            motions=[schema.MotionEntry.model_validate(
                {"translate": axis, "by": {f"{name}_{along}": 1.0}})
                     for axis, along in zip("xyz", COORDINATES, strict=True)])
    return entry.model_copy(update={"parameters": parameters, "targets": targets, "marks": {}})


def mark_parameters(target: Target) -> tuple[str, ...]:
    """The coordinates of a mark, as `with_marks` names them; none of another target."""
    names = tuple(f"{target.name}_{along}" for along in COORDINATES)
    moved = [(m.turns, m.axis, dict(m.by)) for m in target.motions]
    return names if moved == [(False, k, {name: 1.0}) for k, name in enumerate(names)] else ()


def mark_problems(entry: schema.RigEntry) -> list[schema.Problem]:
    """Names of marks that mean something else, and frames that are not there."""
    frames = [m.frame for m in entry.motions if m.frame]
    taken = {*entry.parameters, *entry.targets, *entry.derived, *frames, *PLACEMENT}
    problems = []
    for name, mark in entry.marks.items():
        if mark.on not in frames:
            problems.append((f"marks.{name}.on", repr(mark.on),
                             "a frame: one of " + (", ".join(frames) or "none")))
        names = {name, *(f"{name}_{along}" for along in COORDINATES)}
        if clash := sorted(names & taken):
            problems.append((f"marks.{name}", repr(clash[0]),
                             "a name that the rig has not used yet"))
        taken |= names
        if not _NAME.fullmatch(name) or name.startswith("edge"):
            problems.append((f"marks.{name}", repr(name), "a name of letters, digits and _ that "
                             "does not begin with a digit or with edge"))
        if max(map(abs, mark.near)) > _FURTHEST:
            problems.append((f"marks.{name}.near", repr(list(mark.near)),
                             f"m, at most {_FURTHEST:g} from the frame's origin"))
    return problems


def about_marks(problem: schema.Problem, problems: list[schema.Problem]) -> bool:
    """Whether a problem of what a mark was written out as only repeats those of the mark."""
    bad = {key.split(".")[1] for key, _, _ in problems}
    part, _, rest = problem[0].partition(".")
    name = rest.split(".")[0]
    return (part == "targets" and name in bad) or (
        part == "parameters" and any(name.startswith(f"{mark}_") for mark in bad))
