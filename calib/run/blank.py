"""A run folder to fill in: every file with its columns, what they mean, and the cautions."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from textwrap import wrap

import numpy as np

from calib.chain.parts import Parameter
from calib.chain.rig import Rig, rig_from_template

#: Sds that a careful crew reaches (common practice, no source): a start, to be replaced.
_READING_SD = {"house_pitch": 0.03, "house_roll": 0.03, "tilt": 0.06, "rotate": 0.10}
_OTHER_READING_SD = 0.05

#: A length that differs from the template's by more than this factor may be another one's (common
#: practice, no source).
_UNLIKE = 1.5

#: The rig of a new run, if nobody names another.
STANDARD = "tilt_rotator"


@dataclass(frozen=True)
class Begun:
    """What is known when a run folder is made."""

    #: Of a shot east, north, up, m; a careful total station's if nobody says (common practice, no
    #: source).
    shot_sd: tuple[float, float, float] = (0.002, 0.002, 0.002)
    goal: str | None = None  #: What the edge must be known to, with its unit.
    #: Machine, person and the like, as `[job]` names them.
    job: Mapping[str, str] = field(default_factory=dict)
    #: Lengths by their names, m; each gets the sd of careful taping.
    taped: Mapping[str, float] = field(default_factory=dict)


def lengths_to_tape(rig: Rig) -> list[Parameter]:
    """The few lengths that tell most of a machine: large, positive by nature, easy to tape."""
    return [p for p in rig.parameters if p.unit == "m" and p.least > 0 and p.tape_sd is not None
            and not p.held and not p.until_shot and p.start >= 0.5]


def more_like(parameter: Parameter, value: float, others: Sequence[Parameter]
              ) -> Parameter | None:
    """Another length that a typed one (m) is much more like: its answer, one question off?"""
    def off(of):
        return abs(np.log(value / of.start))

    likest = min(others, key=off)
    return likest if off(parameter) > np.log(_UNLIKE) and off(likest) < off(parameter) / 2 else None


def blank_files(
    cautions: Sequence[str], template: str = STANDARD, begun: Begun | None = None
) -> dict[str, str]:
    """The files of a run folder without rows.

    Parameters
    ----------
    cautions : sequence of str
        Put at the head of the files that send a person to the machine.
    template : str
        Name of a shipped rig.
    begun : Begun, optional
        What is filled in already.

    Returns
    -------
    dict of str to str
        File name to text.

    Raises
    ------
    RigError
        If there is no such template.
    """
    rig, begun = rig_from_template(template), begun or Begun()
    warning = _comment("Before anyone goes near the machine:") + "".join(
        _comment(caution, bullet="- ") for caution in cautions
    )
    return {
        "rig.toml": _rig_toml(rig, warning, begun),
        "readings.csv": _readings(rig, warning),
        "shots.csv": _shots(rig, warning),
        "tape.csv": _tape(rig) + _taped(rig, begun.taped),
        "check.csv": (
            "# Check shots, if you have any: columns as in shots.csv, never used in the solve.\n"
            "# Their poses are rows of readings.csv too; best are poses with no row in shots.csv.\n"
            "shot,pose,target,east,north,up\n"),
    }


def _comment(text, bullet=""):
    lines = wrap(text, 90, initial_indent=bullet, subsequent_indent=" " * len(bullet))
    return "".join(f"# {line}\n" for line in lines) or "#\n"


def _columns(rows):
    """Comment lines of names and what they mean, aligned."""
    width = max(len(name) for name, _ in rows)
    return "".join(f"#   {name:{width}}  {means}\n" for name, means in rows)


def _rig_toml(rig, warning, begun):
    sds = "".join(f"{r.name} = {_READING_SD.get(r.name, _OTHER_READING_SD):.2f}\n"
                  for r in rig.readings)
    names = _columns([
        (p.name, f"{p.unit}, starts at the taped {begun.taped[p.name]:.10g} (tape.csv): {p.means}"
         if p.name in begun.taped else f"{p.unit}, {_how(p)} {_shown(p)}: {p.means}")
        for p in rig.parameters
    ])
    held = next(p.name for p in rig.parameters if p.held and not p.until_shot)
    free = next(p for p in rig.parameters if not p.held)
    first = next(r for r in rig.readings if r.high - r.low < 2 * np.pi)
    low, high = np.degrees([first.low, first.high]).round(6)
    return (
        "# The machine, its sensors, and how well shots and readings are known.\n"
        "# What follows a # is a comment. Lengths in m, angles in deg.\n#\n"
        + warning
        + "#\n# Then fill in readings.csv, shots.csv and, if you have it, tape.csv; replace the\n"
        "# standard deviations below by those of your instruments; and run: calib solve FOLDER\n\n"
        f'template = "{rig.name}"\n\n'
        "# Options: take the # away to use one. These must stay above the first [heading].\n"
        f'# free = ["{held}"]   # estimate what the template holds\n'
        f'# hold = ["{free.name}"]   # hold what the template estimates\n'
        '# effects = ["boom_sag"]   # what bends or runs out of true (calib explore FOLDER)\n\n'
        "[shots]   # standard deviations of a shot, m: instrument, pole and pointing together\n"
        + "sd = {{ east = {:g}, north = {:g}, up = {:g} }}\n\n".format(*begun.shot_sd)
        + "[readings.sd]   # standard deviations of the readings, deg\n"
        + sds
        + _job(begun.job)
        + "\n# [values]   # where a parameter starts or is held, if not at the template's value\n"
        f"# {free.name} = {_shown(free)}\n\n"
        "# [ranges]   # within which a value can be, if not the template's range\n"
        f"# {free.name} = [{free.least:g}, {free.most:g}]\n\n"
        "# [limits]   # how far a joint goes, deg\n"
        f"# {first.name} = [{low:g}, {high:g}]\n\n"
        + _goal(begun.goal)
        + "# [check]   # how far a check shot may be off, if not as [goal] asks\n"
        '# tolerance = "30 mm"\n\n'
        "# [effort]   # minutes that calib plan counts with (common practice, no source)\n"
        f"# settle = {rig.effort.settle:g}   # to settle, lock and read a pose\n"
        f"# point = {rig.effort.point:g}   # for each shot\n"
        f"# walk = {rig.effort.walk:g}   # besides, to a corner with the pole\n"
        f"# stand = {rig.effort.stand:g}   # to move the machine to another stand\n\n"
        "# [marks.left_antenna]   # a mark of unknown place that is shot too, on a frame of the\n"
        f'# on = "{rig.targets[0].frame}"   # machine (calib rig show {rig.name} lists frames)\n'
        "# near = [-1.6, 0.9, 1.7]   # about where, m: forward, left, up of the frame's origin\n\n"
        "# The parameters of this template:\n"
        + names
    )


def _job(job):
    """The table of the job; what was not said stands as a comment."""
    named = "".join(f"{key} = {json.dumps(job[key], ensure_ascii=False)}\n" if job.get(key)
                    else f'# {key} = "..."\n'
                    for key in ("machine", "serial", "attachment", "place", "date", "by",
                                "instrument", "notes"))
    mark = "" if any(job.values()) else "# "
    return f"\n{mark}[job]   # what a reader of report and sheet must know of the job\n{named}"


def _goal(goal):
    mark = "" if goal else "# "
    return (f"{mark}[goal]   # what the edge must be known to at 95 %, worst over the envelope\n"
            + (f'edge = "{goal}"\n\n' if goal else '# edge = "30 mm"   # what is taken if not '
               "stated (common practice, no source)\n\n"))


def _taped(rig, taped):
    sds = {p.name: p.tape_sd for p in rig.parameters}
    return "".join(f"{name},{value:.10g},{sds[name]:g},m\n" for name, value in taped.items())


def _how(parameter):
    if parameter.until_shot:
        return "once shot, from"
    return "held at" if parameter.held else "starts at"


def _shown(parameter):
    value = np.degrees(parameter.start) if parameter.unit == "deg" else parameter.start
    return f"{value:.10g}" if value % 1 else f"{value:.1f}"


def _readings(rig, warning):
    about = [
        ("pose", "an id of your own; 001 and 1 are different"),
        ("stand", "the parking position: a new one when the tracks moved or the house swung"),
        *((r.name, f"deg: {r.means}") for r in rig.readings),
    ]
    noted = [(c.name, f"{' or '.join(c.words)}: {c.means}") for c in rig.pose_columns]
    return (
        "# One row per pose: what the sensors showed while its shots were taken.\n"
        + _columns(about)
        + "# Optional columns: time (such as 2031-05-04T09:30:00+02:00) and, for a reading whose\n"
        f"# standard deviation is not that of rig.toml, sd_{rig.readings[0].name} etc., deg.\n"
        + (_columns(noted) if noted else "") + "#\n"
        + warning
        + ",".join(name for name, _ in about) + "\n"
    )


def _shots(rig, warning):
    return (
        "# One row per shot: site coordinates of a target, from total station or rover.\n"
        + _columns([
            ("shot", "an id of your own, each once"),
            ("pose", "a pose of readings.csv"),
            ("target", "what was shot, one of:"),
            *((f"  {t.name}", t.means) for t in rig.targets),
            ("east", "m"),
            ("north", "m"),
            ("up", "m, pole or prism height already taken off"),
        ])
        + "# Optional columns: sd_east, sd_north, sd_up (m), time,\n"
        "# cov_east_north, cov_east_up, cov_north_up (m^2).\n"
        "# Shoot both corners of the edge in every pose, in some fifteen different ones, and the\n"
        "# pins and marks from where the instrument stands: calib plan says which in which pose.\n"
        "#\n"
        + warning
        + "shot,pose,target,east,north,up\n"
    )


def _tape(rig):
    rows = [(q.name, q.means) for q in (*rig.parameters, *rig.derived)]
    return (
        "# One row per taped quantity, if you have any: the solve uses it with its sd.\n"
        + _columns([
            ("quantity", "one of the names below"),
            ("value", "as taped"),
            ("sd", "its standard deviation, in the same unit"),
            ("unit", "m, cm, mm, ft (0.3048 m exactly) or deg"),
        ])
        + "# Quantities (those of a pin or mark only count where it is shot):\n" + _columns(rows)
        + "quantity,value,sd,unit\n"
    )
