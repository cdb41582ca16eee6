"""What is said of a suspect."""

import numpy as np

from calib.calibration import Solution
from calib.judge.misbooked import Booked
from calib.judge.suspects import Suspect
from calib.report.numbers import in_words
from calib.report.spoken import spoken


def suspect_says(suspect: Suspect, solution: Solution) -> str:
    """What it is off by, and what it does to the solution in which it took part."""
    run = solution.run
    return f"{_miss(suspect, run)} {_moves(suspect, run)}"


def lies_says(lies: Booked) -> str:
    """Where a shot lies that was booked as another target, or in another pose.

    Examples
    --------
    >>> lies_says(Booked("7b", "07", "edge_mid", "07", "edge_left", 0.0031))
    'Booked under the wrong target: it lies on edge_left, to 3.1 mm, which has no shot in pose 07.'
    """
    where = f", to {1000 * lies.miss:.1f} mm, which has no shot"
    if lies.lies_pose == lies.pose:
        return (f"Booked under the wrong target: it lies on {lies.lies_target}{where} in pose "
                f"{lies.pose}.")
    return (f"Booked under the wrong pose: it lies on {lies.target} of pose {lies.lies_pose}"
            f"{where} of it.")


def lies_edit(lies: Booked) -> str:
    """What is to be changed then."""
    column, right = (("target", lies.lies_target) if lies.lies_pose == lies.pose
                     else ("pose", lies.lies_pose))
    return f"Change the {column} of shot {lies.shot} to {right} in shots.csv."


def _miss(suspect, run):
    bias = suspect.miss
    if suspect.kind == "reading":
        reading = run.rig.readings[suspect.reading]
        off = abs(np.degrees(bias[0])) if reading.unit == "deg" else 0.0
        turned = next((turn for turn in (90, 180) if abs(off - turn) < 0.1 * turn), None)
        hint = f" About {turned} deg: a zero set wrongly or a sensor turned?" if turned else ""
        return (f"The {spoken(reading.name)} reading of pose {run.poses.ids[suspect.pose]} is off "
                f"by {in_words(bias[0], reading.unit, '+.0f', '+.2f')}.{hint}")
    if suspect.kind == "tape":
        unit = run.tape.unit[run.tape.quantities.index(suspect.quantity)]
        return (f"The taped {spoken(suspect.quantity)} is off by "
                f"{in_words(bias[0], unit, '+.0f', '+.2f')} from what the others say.")
    lengths = 1000 * np.linalg.norm(bias.reshape(-1, 3), axis=1)
    if suspect.kind == "shot":
        east, north, up = 1000 * bias
        lies = "" if suspect.lies is None else f" {lies_says(suspect.lies)}"
        return (f"Shot {suspect.name} is off by {lengths[0]:.0f} mm from where the "
                f"others put it (east {east:+.0f}, north {north:+.0f}, up {up:+.0f}).{lies}")
    each = ", ".join(f"{length:.0f}" for length in lengths)
    if suspect.kind == "sight":
        return (f"The sight from set-up {suspect.sight[0]} to {suspect.sight[1]} is off by {each} "
                "mm from where the others put it. A wrong point, a wrong coordinate or a wrong "
                "target height?")
    return (f"Pose {run.poses.ids[suspect.pose]} does not fit: its shots are off by {each} mm from "
            "where the others put them. A wrong pose number, or the machine moved?")


def _moves(suspect, run):
    unit = next(p.unit for p in run.rig.parameters if p.name == suspect.moves)
    size = in_words(abs(suspect.moves_by), unit, ".1f")
    return f"It moves the {spoken(suspect.moves)} by {size} ({abs(suspect.moves_in_sd):.1f} sd)."
