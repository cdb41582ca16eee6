"""What is said of a display and of what was typed: agreement, slips, what poses cannot show."""

import numpy as np

from calib.chain.rig import Rig
from calib.confirm.confirmed import AGREES, DISAGREES, NOT_CARRIED, NOT_PROVEN, Confirmed
from calib.confirm.displayed import FittedStand
from calib.confirm.search import Tried
from calib.confirm.slips import BY_AMOUNT, Sheet, Slip
from calib.confirm.telling import TellingPose, Unseen

#: Fields named in one sentence.
_NAMED = 3

#: The nature of a slip whose family says less than its own words.
_ABOUT_ONE_FIELD = 1


def stand_says(stand: FittedStand) -> str:
    """Where a machine stands that the result does not know there, and how well that is known."""
    east, north, up, heading = stand.sd
    name = f"Stand {stand.name}" if stand.name else "The stand"
    return (f"{name} is not in the result. It follows from the shots: known to "
            f"{1000 * np.hypot(east, north):.1f} mm in plan, {1000 * up:.1f} mm in height and "
            f"{np.degrees(heading):.3f} deg of heading (1 sd).")


def confirmed_says(confirmed: Confirmed) -> list[str]:
    """The answer first, a sentence each."""
    goal, found = f"{1000 * confirmed.goal:.0f} mm", confirmed.found
    if confirmed.status == AGREES:
        return [
            f"The display agrees with the solved machine: {_fit(confirmed)}.",
            f"None of the {len(found.singles)} typing slips that were tried fits these positions "
            f"and moves the edge by more than the required {goal} (95 %, worst over the envelope)."]
    if confirmed.status == NOT_PROVEN:
        return [
            f"The display agrees at these poses ({_fit(confirmed)}), but they do not prove that "
            f"everything was typed right to the required {goal}.",
            *(unseen_says(u, confirmed.sheet) for u in confirmed.unseen)]
    if confirmed.status == NOT_CARRIED:
        why = ("the list leaves out values that move the edge, and these positions are judged "
               "whatever the system holds there: calib sheet names them"
               if confirmed.leaves_out else
               f"even so the edge is off by {1000 * confirmed.off:.0f} mm at worst, for what the "
               f"system holds of its own (calib sheet names it; {goal} are required)")
        return [f"What is typed is as the list says ({_fit(confirmed)}), but the list does NOT "
                f"make the solved machine: {why}."]
    if confirmed.status == DISAGREES:
        return [
            f"The display does NOT agree with the solved machine ({_fit(confirmed)}), and no "
            "typing slip, nor any two, explains it.",
            "Look at the table of differences: a pose copied wrongly, a machine that has changed, "
            "a display that measures from another point, or more than two fields mistyped. "
            "Compare every field with the sheet."]
    return _mistyped(confirmed)


def _mistyped(confirmed):
    claimed = confirmed.found.claimed
    if claimed.pose is not None:
        name = confirmed.compared.shown.poses[claimed.pose]
        said = [f"The display of pose {name} does not fit the others, which agree with the solved "
                "machine: copied wrongly, or not at rest. Show that pose again."]
    else:
        said = [slip_says(claimed, confirmed.sheet),
                f"With that the edge is off by up to {1000 * confirmed.moves:.0f} mm over the "
                f"envelope ({1000 * confirmed.goal:.0f} mm are required). Correct it and show the "
                "poses again."]
    rivals = confirmed.found.rivals
    if rivals:
        said.append("These poses cannot tell it from: " + " ".join(
            slip_says(r, confirmed.sheet) if r.pose is None else
            f"Pose {confirmed.compared.shown.poses[r.pose]} copied wrongly."
            for r in rivals[:_NAMED]) + (
                f" And {len(rivals) - _NAMED} more." if len(rivals) > _NAMED else ""))
        said.append(
            "All of them are about the same field: look at what is in it."
            if all(r.fields == claimed.fields and r.pose is None for r in rivals) else
            f"A pose that would tell: {pose_says(confirmed.telling, confirmed.compared.rig)}."
            if confirmed.telling is not None else
            "No pose of the envelope tells them apart: compare both fields with the sheet.")
    return said


def _fit(confirmed):
    off = np.linalg.norm(np.nan_to_num(confirmed.differences), axis=1)
    return f"at most {1000 * off.max():.0f} mm apart at the {len(off)} shown points"


def slip_says(tried: Tried, sheet: Sheet) -> str:
    """A slip, or two, in a sentence or two."""
    return " ".join(_one(slip, sheet) for slip in tried.slips)


def _one(slip: Slip, sheet: Sheet):
    entries = sheet.entries.entries
    if len(slip.typed) > _ABOUT_ONE_FIELD:
        names = [entries[i].name for i in slip.typed]
        listed = ", ".join(names[:_NAMED]) + (
            f" and {len(names) - _NAMED} more" if len(names) > _NAMED else "")
        if len(names) == 2 and slip.what.startswith("exchanged"):
            return f"The values of {names[0]} and {names[1]} are exchanged."
        return f"{slip.what[:1].upper()}{slip.what[1:]} ({listed})."
    (i, value), = slip.typed.items()
    entry = entries[i]
    off = value - sheet.right[i]
    how = "" if slip.family == BY_AMOUNT else f" ({_kind(slip)})"
    return (f"{entry.name} holds {held(value, entry.decimals)} {entry.unit} in place of "
            f"{entry.text(sheet.right[i])} {entry.unit}{how}: off by "
            f"{held(off, entry.decimals, '+')} {entry.unit}.")


def _kind(slip):
    if slip.what == slip.family:
        return slip.family
    return f"{slip.family}: {slip.what}"


def held(value: float, decimals: int, sign: str = "") -> str:
    """A value in a field, with more digits than are typed only where it has them.

    Examples
    --------
    >>> held(5719.0, 0), held(571.9, 0), held(0.0, 2)
    ('5719', '571.9', '0.00')
    """
    places = next((k for k in range(decimals, decimals + 3)
                   if abs(value * 10**k - round(value * 10**k)) < 1e-6), decimals + 3)
    return f"{value:{sign}.{places}f}"


def unseen_says(found: Unseen, sheet: Sheet) -> str:
    """A slip that would not be noticed."""
    names = [sheet.entries.names[i] for i in found.tried.fields]
    listed = ", ".join(names[:_NAMED]) + (" and more" if len(names) > _NAMED else "")
    where = "no pose of the envelope shows it: compare the field with the sheet" \
        if found.pose is None else f"show one with {pose_says(found.pose, sheet.entries.rig)}"
    return (f"{listed}: a slip of {1000 * found.moves:.0f} mm at the edge cannot be seen at these "
            f"poses ({_kind(found.tried.slips[0])}); {where}.")


def pose_says(pose: TellingPose, rig: Rig) -> str:
    """Where to drive."""
    return (f"readings of about {readings_say(rig, pose.readings)} deg (reach {pose.reach}), "
            f"where the display of {pose.target} differs by {1000 * pose.apart:.0f} mm")


def readings_say(rig: Rig, readings: np.ndarray) -> str:
    """What the sensors show in a pose, to drive there; what is not named is at 0."""
    return ", ".join(f"{name} {angle:.0f}" for name, angle in
                     zip(rig.reading_names, np.degrees(readings), strict=True)
                     if abs(angle) >= 0.5)
