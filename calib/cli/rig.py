"""``calib rig``: the shipped rigs, a rig in words, and what shots can tell of it."""

import numpy as np
import typer

from calib.chain.rig import rig_from_template, template_names
from calib.console import talk
from calib.judge.structure import structure
from calib.report.figures.side_view import machine_in_characters
from calib.report.pages.rig import rig_list, rig_sections, structure_sections
from calib.report.press.terminal import plain
from calib.run.complaints import InputError
from calib.run.folder import described


def rig(action: str, name: str | None) -> None:
    """List rigs, or say what one is made of, or what shots can tell of it."""
    if action == "list":
        talk.result(plain(rig_list([rig_from_template(n) for n in template_names()])))
        talk.follow("rig", "show", template_names()[0])
        return
    if name is None:
        raise typer.BadParameter(f"calib rig {action} needs a RIG: a run folder, a rig file or "
                                 f"one of {', '.join(template_names())}")
    machine = described(name)
    if action == "show":
        talk.result(plain(rig_sections(machine)))
        talk.follow("rig", "check", name)
        if machine.edge_targets and machine.envelope.reaches:
            talk.result(machine_in_characters(machine))
        return
    try:
        found = structure(machine, np.random.default_rng(0))
    except ValueError as error:
        raise InputError.of(name, str(error), "limits within which the machine is worked",
                            column="limits") from None
    talk.result(plain(structure_sections(machine, found)))
    talk.follow("rig", "show", name)
    if found.by_edge or found.by_all:
        raise typer.Exit(talk.NOT_DETERMINED)
    talk.follow("plan", name)
