"""What commands share: lengths with units, goals, places, faults."""

from dataclasses import replace
from pathlib import Path

import typer

from calib.chain.length import metres
from calib.chain.rig import Rig
from calib.console import talk
from calib.plan.candidates import NoPose
from calib.plan.sight import Site
from calib.plan.task import Prepared, Task, prepare
from calib.report.words.left_out import removed_says
from calib.report.words.model import known_says
from calib.results import load_result
from calib.run.complaints import Complaint, InputError
from calib.run.records import Machine, Run
from calib.together.earlier import known_of, with_machine, without_rows
from calib.together.joint import NotTogether


def length(text: str | None) -> float | None:
    """A length such as ``8mm`` in m; None stays None.

    Raises
    ------
    typer.BadParameter
        For anything else.

    Examples
    --------
    >>> length("8mm"), length("0.5 ft")
    (0.008, 0.1524)
    """
    if text is None:
        return None
    try:
        return metres(text)
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is no length: {error}") from None


def site(instrument: str, foot_height: float, nearest: float, highest: float) -> Site:
    """Where a machine is shot, from the options that say so."""
    return Site(foot_height=foot_height, nearest=nearest, highest=highest,
                instrument=instrument_place(instrument))


def instrument_place(text: str | None) -> tuple[float, float, float] | None:
    """Forward, left and up of the boom foot pin in m from ``14,9,-0.3``; None from ``none``.

    Raises
    ------
    typer.BadParameter
        For anything else.
    """
    if text is None or text.strip().casefold() == "none":
        return None
    try:
        ahead, left, up = (float(part) for part in text.split(","))
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is no place: metres ahead, left and above the boom foot pin, such as "
            "14,9,-0.3, or none") from None
    return ahead, left, up


def named_targets(rig: Rig, text: str | None) -> tuple[str, ...]:
    """Targets of a rig from names with commas; none from None.

    Raises
    ------
    typer.BadParameter
        Naming what is no target.
    """
    names = [] if text is None else [name.strip() for name in text.split(",")]
    unknown = [name for name in names if name not in rig.target_names]
    if unknown:
        raise typer.BadParameter(
            f"{', '.join(unknown)}: no target of this rig; it has {', '.join(rig.target_names)}")
    return tuple(dict.fromkeys(names))


def prepared(task: Task, source: Path) -> Prepared:
    """What there is to choose from; no pose at all is a complaint about the source."""
    try:
        with talk.working(f"Looking at {task.count} poses"):
            return prepare(task)
    except NoPose as error:
        raise no_pose(error, source) from None


def no_pose(error: NoPose, file: Path) -> InputError:
    """The complaint that the limits leave no pose, with what removed how many."""
    counts = ", ".join(
        f"{why}: {n}" for why, n in removed_says(error.candidates.removed).items() if n)
    return InputError.of(
        file, f"limits in which none of {error.candidates.asked} poses can be shot "
        f"({counts})", "limits, a place of the instrument and heights that leave some",
        column="limits")


def run_with_machine(run: Run, result: Path) -> Run:
    """A run with what an earlier result says of its machine.

    Raises
    ------
    InputError
        If that result is of another machine, or of the same shots.
    """
    known = _with_result(with_machine, run, result)
    twice = without_rows(run.tape, known.machine.tape)[1]
    return replace(known, notices=(*run.notices, *known_says(known.machine, twice)))


def machine_for(rig: Rig, result: Path) -> Machine:
    """What an earlier result says of the machine of a rig, before anything is shot.

    Raises
    ------
    InputError
        If that result is of another machine.
    """
    return _with_result(known_of, rig, result)


def _with_result(known, about, result):
    """What a result says of a machine; complains if it is of another one."""
    read = load_result(result)
    try:
        return known(about, read.survey, str(result), read.sha256)
    except NotTogether as error:
        raise InputError([Complaint(where, None, None, found, expected)
                          for where, found, expected in error.problems]) from None
