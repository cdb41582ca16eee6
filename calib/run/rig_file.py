"""rig.toml: from text to a rig, or to complaints that name the line."""

import math

from calib.chain.parts import Parameter
from calib.chain.rig import Rig, rig_from_dict
from calib.chain.schema import RigError
from calib.run.complaints import Findings
from calib.run.toml import complain_of_keys, parsed_toml
from calib.run.units import LIMITS, from_si, sd_problem

AXES = ("east", "north", "up")

#: Of the working envelope: beyond, maps take minutes and the memory of a laptop.
_MOST_POSTURES = 20_000


def read_rig(text: str, file: str, findings: Findings) -> Rig | None:
    """The rig that a rig file describes; None after complaints."""
    before, rig = len(findings.complaints), None
    data = parsed_toml(text, file, findings)
    if data is None:
        return None
    try:
        rig = rig_from_dict(data)
        problems = out_of_range(rig)
    except RigError as error:
        problems = error.problems
    complain_of_keys(problems, text, file, findings)
    return rig if len(findings.complaints) == before else None


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
