"""Options of commands that choose poses: lengths, places, targets; and the poses there are."""

from pathlib import Path

import typer

from calib.chain.length import metres
from calib.chain.rig import Rig
from calib.console import talk
from calib.plan.candidates import NoPose
from calib.plan.sight import Site
from calib.plan.task import Prepared, Task, prepare
from calib.report.plan_words import removed_says
from calib.run.complaints import InputError


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
