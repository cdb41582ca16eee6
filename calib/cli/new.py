"""``calib new``: a run folder to fill in, after a few questions."""

import shlex
from pathlib import Path
from typing import Annotated, Any

import typer

from calib.cli import asking, talk
from calib.cli.import_ import PROFILE
from calib.cli.import_options import read_instrument
from calib.report.words.cautions import CAUTIONS

#: How shots are taken, their sds east, north, up (m), and whether the instrument's own sds are
#: asked. Common practice, no source.
_WAYS = (
    ("a total station to a prism on a pole", (0.003, 0.003, 0.003), True),
    ("a total station without a prism", (0.002, 0.002, 0.002), True),
    ("a satellite rover with a base", (0.010, 0.010, 0.015), False),
)
_INSTRUMENT = "5 arcsec, 2 mm + 2 ppm"
_GOAL = "30 mm"


def new(
    folder: Annotated[Path, typer.Argument(
        help="The run folder to make; it must not exist yet.", show_default=True)] = Path("run"),
    rig: Annotated[str | None, typer.Option(
        metavar="NAME", show_default=False, help="The shipped rig that the machine is like; calib "
        "rig list names them.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Ask nothing: take every default.")] = False,
) -> None:
    """Make a run folder to fill in: every file with its columns, comments and the cautions.

    Asks what the machine is like, what was taped, which instrument, and how well the edge must be
    known; an empty line takes the default. Where nobody can answer, defaults are taken.
    """
    from calib.chain.rig import rig_from_dict, template_names
    from calib.report.figures.side_view import machine_in_characters, machine_png
    from calib.run.blank import STANDARD, Begun, blank_files
    from calib.run.complaints import Complaint, InputError, quote
    from calib.run.write import refuse_filled, write_new_folder

    if rig is not None and rig not in template_names():
        raise InputError([Complaint("--rig", None, None, quote(rig),
                                    f"a shipped rig: one of {', '.join(template_names())}")])
    refuse_filled(folder)
    begun, profile = Begun(), ""
    if not yes and asking.somebody_answers():
        rig = rig or _which_rig(template_names())
        begun, profile = _begun(rig)
    rig = rig or STANDARD
    machine = rig_from_dict({"template": rig, "values": dict(begun.taped)})
    files: dict[str, Any] = {**blank_files(CAUTIONS, rig, begun)}
    files["machine.png"] = machine_png(machine)
    if profile:
        files[PROFILE] = profile
    write_new_folder(folder, files)
    talk.tell_cautions()
    talk.result(machine_in_characters(machine))
    named = shlex.quote(str(folder))
    talk.result(f"Fill in the files in {folder}, or calib import FILES --into {named}; then: calib "
                f"solve {named}\nOr all of it on a page beside the machine: calib yard {named}")
    talk.follow("plan", folder)


def _which_rig(names):
    from calib.chain.rig import rig_from_template
    from calib.report.figures.side_view import machine_in_characters
    from calib.run.blank import STANDARD

    names = sorted(names, key=lambda name: name != STANDARD)
    machines = [rig_from_template(name) for name in names]
    while True:
        chosen = asking.choose("What is the machine like?", [m.title for m in machines])
        talk.tell(machine_in_characters(machines[chosen]))
        if asking.agreed("Is it built like this?"):
            return names[chosen]


def _begun(rig):
    """What is known already, and the profile for the import."""
    from calib.chain.length import metres
    from calib.chain.rig import rig_from_template
    from calib.intake.declaration import profile_toml
    from calib.run.blank import Begun, lengths_to_tape

    def length_of(parameter):
        def read(text):
            if not text:
                return None
            value = metres(text if text[-1].isalpha() else f"{text} m")
            if not parameter.allows(value):
                raise ValueError(f"A length {parameter.range_words}.")
            return value
        return read

    taped = {p.name: asking.typed(f"Taped: {p.means} (such as {p.start:g} m; empty: not taped)",
                                  length_of(p))
             for p in lengths_to_tape(rig_from_template(rig))}
    way = _WAYS[asking.choose("How will the shots be taken?", [words for words, _, _ in _WAYS])]
    profile = ""
    if way[2]:
        profile = profile_toml(asking.typed(
            "The instrument's standard deviations, of angles and distances", _instrument,
            _INSTRUMENT))
    goal = asking.typed("To what must the edge be known, at 95 %, worst over its range?",
                        _length, _GOAL)
    job = {key: asking.typed(question, str) for key, question in (
        ("machine", "What is the machine called? (empty: not said)"),
        ("by", "Who does this? (empty: not said)"))}
    return Begun(way[1], goal, job, {k: v for k, v in taped.items() if v is not None}), profile


def _length(text):
    """A length as it is written, if it is one."""
    from calib.chain.length import metres

    metres(text)
    return text


def _instrument(text):
    """A declaration of what "5 arcsec, 2 mm + 2 ppm" says."""
    from calib.intake.declaration import DeclarationError, declare

    try:
        return declare({"instrument": read_instrument([text], "the instrument")})
    except (DeclarationError, typer.BadParameter) as error:
        raise ValueError(str(error)) from None
