"""``calib new``: a run folder to fill in, after a few questions."""

import shlex
from datetime import date
from pathlib import Path
from typing import Any

import typer

from calib.chain.length import written_length
from calib.chain.rig import rig_from_dict, rig_from_template, template_names
from calib.chain.schema import MOST_LENGTH
from calib.cli import asking
from calib.cli.import_options import read_instrument
from calib.console import talk
from calib.intake.declaration import PROFILE, DeclarationError, declare, profile_toml
from calib.report.figures.side_view import machine_in_characters, machine_legend, machine_png
from calib.report.words.cautions import CAUTIONS
from calib.run.blank import STANDARD, Begun, blank_files, lengths_to_tape, more_like
from calib.run.complaints import InputError, quote
from calib.run.write import refuse_filled, write_new_folder

#: How shots are taken, their sds east, north, up (m), and whether the instrument's own sds are
#: asked. Common practice, no source.
_WAYS = (
    ("a total station to a prism on a pole", (0.003, 0.003, 0.003), True),
    ("a total station without a prism", (0.002, 0.002, 0.002), True),
    ("a satellite rover with a base", (0.010, 0.010, 0.015), False),
)
_INSTRUMENT = "5 arcsec, 2 mm + 2 ppm"
_GOAL = "30 mm"


def new(folder: Path, rig: str | None, yes: bool) -> None:
    """Ask what is known of a run, and make its folder."""
    if rig is not None and rig not in template_names():
        talk.follow("rig", "list")
        raise InputError.of("--rig", quote(rig),
                            f"a shipped rig: one of {', '.join(template_names())}")
    if (folder / "rig.toml").is_file():  # a run already: this is refused, the run goes on
        talk.follow("plan", folder)
    refuse_filled(folder)
    begun, profile = Begun(), ""
    asked = not yes and asking.answers_come()
    if asked:
        rig = rig or _which_rig(template_names())
        begun, profile = _begun(rig)
    elif not yes:
        talk.tell("Nobody answers here: every question takes its default.")
    rig = rig or STANDARD
    machine = rig_from_dict({"template": rig, "values": dict(begun.taped)})
    files: dict[str, Any] = {**blank_files(CAUTIONS, rig, begun)}
    files["machine.png"] = machine_png(machine, begun.taped)
    if profile:
        files[PROFILE] = profile
    write_new_folder(folder, files)
    talk.tell_cautions()
    # Who was asked has seen the drawing and the list: what was taped is new.
    talk.result("\n".join([
        *(line for line in machine_legend(machine) if line.split()[1] in begun.taped),
        f"Drawn in {folder / 'machine.png'}."])
        if asked else machine_in_characters(machine, begun.taped))
    named = shlex.quote(str(folder))
    talk.result(f"Plan the poses; shoot them; fill in the files in {folder}, or calib import FILES "
                f"--into {named}; then: calib solve {named}\nOr all of it on a page beside the "
                f"machine: calib yard {named}")
    talk.follow("plan", folder)


def _which_rig(names):
    names = sorted(names, key=lambda name: name != STANDARD)
    machines = [rig_from_template(name) for name in names]
    while True:
        chosen = asking.choose("What is the machine like?", [m.title for m in machines])
        talk.tell(machine_in_characters(machines[chosen], ()))
        if asking.agreed("Is it built like this?"):
            return names[chosen]
        talk.tell("If none of them is: take the nearest. Its rig.toml can give the machine other "
                  "dimensions, members and sensors (calib rig show "
                  f"{names[chosen]} describes this one).")


def _begun(rig):
    """What is known already, and the profile for the import."""
    asked = lengths_to_tape(rig_from_template(rig))

    def length_of(parameter):
        doubted = []

        def read(text):
            if not text:
                return None
            try:
                says, value = written_length(text, parameter.allows)
            except ValueError as error:
                raise ValueError(f"{error}; here {parameter.range_words}.") from None
            other = more_like(parameter, value, asked)
            if other is not None and value not in doubted:
                doubted.append(value)
                raise ValueError(
                    f"{says} is more like the {other.means} (such as {other.start:g} m) than the "
                    f"{parameter.means}: is it one question off? If it is right, type it again.")
            if not text[-1].isalpha():
                talk.tell(f"Taken as {says}.")
            return value
        return read

    taped = {p.name: asking.typed(f"Taped: {p.means} (such as {p.start:g} m; empty: not taped)",
                                  length_of(p))
             for p in asked}
    way = _WAYS[asking.choose("How will the shots be taken?", [words for words, _, _ in _WAYS])]
    profile = sds = ""
    if way[2]:
        sds, declared = asking.typed("The instrument's standard deviations, of angles and "
                                     "distances", _instrument, _INSTRUMENT)
        profile = profile_toml(declared)
    goal = asking.typed("To what must the edge be known, at 95 %, worst over its range?",
                        lambda text: written_length(text, lambda size: size <= MOST_LENGTH)[0],
                        _GOAL)
    job = {"machine": asking.typed("What is the machine called? (empty: not said)", str),
           "date": asking.typed("On which day is it measured?", str, date.today().isoformat()),
           "by": asking.typed("Who does this? (empty: not said)", str),
           "instrument": ", ".join(filter(None, (way[0].partition(" ")[2], sds)))}
    return Begun(way[1], goal, job, {k: v for k, v in taped.items() if v is not None}), profile


def _instrument(text):
    """Sds such as "5 arcsec, 2 mm + 2 ppm", and the declaration of them."""
    try:
        return text, declare({"instrument": read_instrument([text], "the instrument")})
    except (DeclarationError, typer.BadParameter):
        raise ValueError(f"{text} is not enough: write the angle's, a comma, and the distance's "
                         f"fixed part and its growth, such as {_INSTRUMENT}.") from None
