"""What is said of single values: a suspect, a reading, a sensor's scale, a taped value."""

import numpy as np

from calib.calibration import Solution
from calib.chain.rig import Rig
from calib.foretold import Replaced
from calib.judge.misbooked import Booked
from calib.judge.suspects import Suspect
from calib.report.numbers import in_words, unit_factor
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


def scale_says(reading: str, share: float, sd: float | None = None) -> str:
    """A sensor's scale: what it shows too much in proportion to itself, with 1 sd if it is known.

    Examples
    --------
    >>> scale_says("stick", 0.0044, 0.0005), scale_says("boom", -0.031)
    ('the stick sensor shows 0.44 ± 0.05 % (1 sd) too much in proportion', \
'the boom sensor shows 3.10 % too little in proportion')
    """
    size = f"{100 * abs(share):.2f}" + (" %" if sd is None else f" ± {100 * sd:.2f} % (1 sd)")
    return (f"the {spoken(reading)} sensor shows {size} too {'much' if share > 0 else 'little'} in "
            "proportion")


def replaced_says(reading: Replaced, rig: Rig) -> str:
    """What it read and what the shots of its pose say, as part of a sentence."""
    if not np.isfinite(reading.sd):
        return "no other shot of its pose determines it"
    unit = rig.readings[reading.reading].unit
    factor, digits = unit_factor(unit), 2 if unit == "deg" else 3
    return (f"it read {factor * reading.measured:.{digits}f} {unit}, the shots of its pose say "
            f"{factor * reading.estimate:.{digits}f} ± {factor * reading.sd:.{digits}f} {unit} "
            "(1 sd)")


def tape_says(quantity: str, unit: str, tape: float, without: float, sds: float) -> str:
    """A taped value beside what all else says of it.

    Parameters
    ----------
    unit : str
        "m" or "deg", of the values.
    tape, without : float
        As taped, and as solved without it.
    sds : float
        How far apart, in sds of the difference.

    Examples
    --------
    >>> tape_says("boom_length", "m", 4.615, 4.6308, 3.1)
    'The taped boom length of 4615.0 mm is 15.8 mm less than the 4630.8 mm of all else (3.1 sd)'
    """
    def shown(value):
        return f"{value:.2f} deg" if unit == "deg" else f"{1000 * value:.1f} mm"

    way = "more" if tape > without else "less"
    return (f"The taped {spoken(quantity)} of {shown(tape)} is {shown(abs(tape - without))} {way} "
            f"than the {shown(without)} of all else ({abs(sds):.1f} sd)")
