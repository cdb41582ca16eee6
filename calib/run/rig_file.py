"""rig.toml: from text to a rig, or to complaints that name the line."""

import math
import re
from copy import deepcopy
from typing import Any

from calib.chain.parts import Parameter
from calib.chain.rig import Rig, rig_from_dict
from calib.chain.schema import Problem, RigError
from calib.run.complaints import Findings
from calib.run.toml import complain_of_keys, parsed_toml
from calib.run.units import LIMITS, from_si, sd_problem

AXES = ("east", "north", "up")

#: Of the working envelope: beyond, maps take minutes and the memory of a laptop.
_MOST_POSTURES = 20_000

#: Tables of a rig file that give names to what others use.
_NAMING = ("parameters", "sensors", "pose_columns", "motions", "targets", "marks", "derived")


def read_rig(text: str, file: str, findings: Findings) -> Rig | None:
    """The rig that a rig file describes; None after complaints."""
    before = len(findings.complaints)
    data = parsed_toml(text, file, findings)
    if data is None:
        return None
    rig, problems = _built(data)
    complain_of_keys(problems, text, file, findings)
    return rig if len(findings.complaints) == before else None


def _built(data: dict[str, Any]) -> tuple[Rig | None, list[Problem]]:
    """The rig of a description, or of what is left of it without what is at fault; all faults.

    What follows from a name that was left out is no fault of its own.
    """
    problems: list[Problem] = []
    doubtful: set[str] = set()
    while True:
        try:
            rig = rig_from_dict(data)
            found = out_of_range(rig)
        except RigError as error:
            rig, found = None, error.problems
        told = [f"{key}." for key, _, _ in problems]
        of_doubtful = {f"{table}.{name}" for table in _NAMING for name in doubtful}
        problems += [
            (key, what, expected) for key, what, expected in found
            if what.strip("'") not in doubtful and key not in of_doubtful
            and not any(k.startswith(f"{key}.") or f"{key}.".startswith(k) for k in told)]
        data, names = _without(data, [key for key, _, _ in found])
        if rig is not None or names is None or not {"template", "motions"} & data.keys():
            return rig, problems
        doubtful |= names


def _without(data: dict[str, Any], keys: list[str]) -> tuple[dict[str, Any], set[str] | None]:
    """A description without some keys, and the names that were made or used there.

    Of a key that is not written down, what it is missing in goes. No names but None if nothing did.
    """
    left, gone = deepcopy(data), False
    names: set[str] = set()
    for key in keys:
        first, *parts = key.split(".")
        if first not in left or first == "template":
            continue
        table, last = left, first
        for part in parts:
            if not isinstance(table[last], dict) or part not in table[last]:
                break
            table, last = table[last], part
        gone, removed = True, table.pop(last)
        if first in _NAMING:
            names |= {last, *re.findall(r"\w+", repr(removed))}
    return left, names if gone else None


def out_of_range(rig: Rig) -> list[tuple[str, str, str]]:
    """Sizes that no machine and no survey has, and that would overflow further on."""
    sds = [(f"shots.sd.{axis}", sd, "m") for axis, sd in zip(AXES, rig.shot_sd, strict=True)] \
        if rig.shot_sd is not None else []
    sds += [(f"readings.sd.{r.name}", from_si(r.sd, r.unit), r.unit) for r in rig.readings
            if r.sd is not None]
    problems = [(key, f"{sd:g}", problem) for key, sd, unit in sds
                if (problem := sd_problem(sd, unit))]
    postures = len(rig.envelope.reaches) * math.prod(map(len, rig.envelope.sweep.values()))
    if postures > _MOST_POSTURES:
        problems.append(("envelope", f"{postures:,} postures", f"at most {_MOST_POSTURES:,}"))
    for p in rig.parameters:
        limit, expected = LIMITS[p.unit]
        if abs(p.start) > limit:
            problems.append((f"values.{p.name}", f"{from_si(p.start, p.unit):g}", expected))
        elif not p.allows(p.start):
            where = f"values.{p.name}" if p.stated else f"ranges.{p.name}" \
                if p.name in rig.definition["ranges"] else f"parameters.{p.name}.start"
            problems.append((where, f"{from_si(p.start, p.unit):g}", expected_range(p)))
    return problems


def expected_range(parameter: Parameter) -> str:
    """What a value of a parameter should be, for a complaint."""
    return (f"a value {parameter.range_words}: a machine beyond that states its own range under "
            f"[ranges] in rig.toml, such as {parameter.name} = [least, most]")
