"""What commands share: lengths with units, goals, places, faults."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.chain.length import metres

if TYPE_CHECKING:
    from calib.chain.rig import Rig
    from calib.plan.candidates import NoPose
    from calib.run.complaints import InputError
    from calib.run.records import Machine, Run

#: Options that both commands have.
Instrument = Annotated[str, typer.Option(
    help="Where the instrument stands: metres ahead, left and above the boom foot pin, or none.")]
FootHeight = Annotated[float, typer.Option(min=0.1, help="Boom foot pin above the ground, m.")]
Nearest = Annotated[float, typer.Option(
    min=0.0, help="The edge stays this far ahead of the boom foot pin, m.")]
Highest = Annotated[float, typer.Option(
    min=0.1, help="The edge, and what needs a hand on it, stay below this height above the ground, "
    "m: what a pole reaches (99 for no limit).")]
Count = Annotated[int, typer.Option(min=100, max=200_000, help="Poses to choose from.")]

#: Of ``calib solve``, ``calib diagnose``, ``calib next`` and ``calib plan``.
Known = Annotated[Path | None, typer.Option(
    "--machine", metavar="RESULT", help="An earlier result of this machine with another "
    "attachment: what it says of all but the attachment is known beforehand, with its full "
    "covariance. For a new bucket some four poses then do.")]

#: Of ``calib solve`` and ``calib check``.
Tolerance = Annotated[float | None, typer.Option(
    "--tolerance", min=0.1, help="Largest 3-D miss of a check shot allowed, mm; [check] "
    "tolerance of rig.toml if not given, else 30 mm (common practice, no source).")]


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


def asked_goal(text: str | None, rig: Rig) -> float | None:
    """What the edge must be known to at 95 %, m: as given, else ``[goal]`` of rig.toml; or None."""
    return rig.edge_goal if text is None else length(text)


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


def no_pose(error: NoPose, file: str) -> InputError:
    """The complaint that the limits leave no pose, with what removed how many."""
    from calib.report.words.left_out import removed_says
    from calib.run.complaints import InputError

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
    from calib.report.words.model import known_says
    from calib.together.earlier import with_machine, without_rows

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
    from calib.together.earlier import known_of

    return _with_result(known_of, rig, result)


def _with_result(known, about, result):
    """What a result says of a machine; complains if it is of another one."""
    from calib.results import load_result
    from calib.run.complaints import Complaint, InputError
    from calib.together.joint import NotTogether

    read = load_result(result)
    try:
        return known(about, read.survey, str(result), read.sha256)
    except NotTogether as error:
        raise InputError([Complaint(where, None, None, found, expected)
                          for where, found, expected in error.problems]) from None
