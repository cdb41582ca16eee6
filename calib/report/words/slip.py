"""What is said of a display and of what was typed: agreement, slips, what poses cannot show."""

from dataclasses import replace

import numpy as np

from calib.chain.rig import Rig
from calib.confirm.confirmed import AGREES, DISAGREES, NOT_CARRIED, NOT_PROVEN, Confirmed
from calib.confirm.displayed import FittedStand
from calib.confirm.posed import from_readings
from calib.confirm.proof import DRIVEN, MOST, Proof
from calib.confirm.slip_search import Tried
from calib.confirm.slips import Family, Sheet, Slip, Way
from calib.confirm.telling import Envelope, TellingPose, Unseen
from calib.document.record import ResultRecord
from calib.plan.sight import Site
from calib.report.spoken import few, spoken

#: Fields named in one sentence.
_NAMED = 3

_FAMILIES = {
    Family.SIGN: "the wrong sign", Family.OLD: "the old value left in",
    Family.ZERO: "left at zero", Family.START: "left at the value it starts from",
    Family.CHANGE: "the change typed, not the value",
    Family.BACKWARDS: "the change made the wrong way", Family.SPREAD: "its sd typed",
    Family.EXCHANGED: "two digits exchanged", Family.WRONG: "one digit wrong",
    Family.LEFT_OUT: "a digit left out", Family.TWICE: "a digit typed twice",
    Family.POINT: "a decimal place off", Family.UNIT: "in another unit",
    Family.MINUTES: "minutes typed as decimals", Family.HALF: "half of it",
    Family.DOUBLE: "twice of it", Family.FROM_ELSEWHERE: "counted from another side",
    Family.BESIDE: "the value of the field beside", Family.ANOTHER: "the value of another field",
    Family.SWAPPED: "exchanged with the field beside",
    Family.SWAPPED_FAR: "exchanged with another field", Family.ROW: "from here on a row off",
    Family.ALL_OLD: "old values left in many",
    Family.FROM_HERE_OLD: "old values left in from here on", Family.BY_AMOUNT: "another value",
}

#: What is said beyond the family, of what a slip is about.
_MORE = {
    Family.EXCHANGED: "{} and {}", Family.WRONG: "{} in place of {}", Family.LEFT_OUT: "{}",
    Family.TWICE: "{}",
    Way.READ: "in {}, not in {}", Way.CONVERTED: "taken for {} and changed to {}",
    Family.BESIDE: "the value of {}", Family.ANOTHER: "the value of {}",
    Family.SWAPPED: "exchanged with {}", Family.SWAPPED_FAR: "exchanged with {}",
    Way.BEFORE: "from {} on each field has the value of the one before it",
    Way.BEHIND: "from {} on each field has the value of the one behind it",
    Way.ALL: "no new value entered: all the old ones are in",
    Way.KIND: "all {} as they were before",
    Family.FROM_HERE_OLD: "from {} on the old values are in",
    Way.LEFT: "the decimal point {} to the left", Way.RIGHT: "the decimal point {} to the right",
}
#: Of a display, by whether it is of a site.
_AXES = {False: ("forward", "left", "up"), True: ("east", "north", "up")}

#: Readings rounded to this cost much, and to this next to nothing, rad.
_COARSE, _FINE = np.radians(0.5), np.radians(0.01)

_KINDS = {"m": "lengths", "deg": "angles"}


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
            f"{_told(confirmed)} of the required {goal}.",
            f"None of the {len(found.singles)} typing slips that were tried fits these positions "
            f"and moves the edge by more than {1000 * confirmed.room:.1f} mm, which is what result "
            "and list leave of it."]
    if confirmed.status == NOT_PROVEN:
        enough = confirmed.within95 <= confirmed.goal
        return [
            f"The display agrees at these poses ({_fit(confirmed)}), but they do not prove that "
            f"everything was typed right to the required {goal}.",
            _told(confirmed) + (f" of the required {goal}. But some slip of more than "
                                f"{1000 * confirmed.room:.1f} mm, which is what result and list "
                                "leave, would not be noticed here:" if enough else
                                f", not the required {goal}: show more poses (without a file, "
                                "calib confirm names as many as it takes)."),
            *(unseen_says(u, confirmed.sheet) for u in confirmed.unseen),
            *([ground_says()] if any(u.pose for u in confirmed.unseen) else []),
            *_rounding_says(confirmed)]
    if confirmed.status == NOT_CARRIED:
        why = ("the list leaves out values that move the edge, and these positions are judged "
               "whatever the system holds there: calib sheet names them"
               if confirmed.leaves_out else
               f"even so the edge is off by {1000 * confirmed.off:.0f} mm at worst, for what the "
               "system holds of its own (calib sheet names it), and known to "
               f"{1000 * confirmed.known95:.1f} mm besides ({goal} are required)")
        return [f"What is typed is as the list says ({_fit(confirmed)}), but the list does NOT "
                f"make the solved machine: {why}."]
    if confirmed.status == DISAGREES:
        if confirmed.mirrored is not None:
            counted = _AXES[confirmed.compared.shown.on_site][confirmed.mirrored]
            return [f"The display does NOT agree with the solved machine ({_fit(confirmed)}), but "
                    f"it does with {counted} counted the other way.",
                    f"If the display counts so, change the sign of column {counted} in the file "
                    "and run it again; if not, its axes or sensors are set up mirrored."]
        return [
            f"The display does NOT agree with the solved machine ({_fit(confirmed)}), and no "
            "typing slip, nor any two, explains it.",
            "Look at the table of differences: a pose copied wrongly, a machine that has changed, "
            "a display that measures from another point, or more than two fields mistyped. "
            "Compare every field with the sheet."]
    return _mistyped(confirmed)


def _rounding_says(confirmed):
    """What coarse readings cost, if they do."""
    compared = confirmed.compared
    step, names = compared.shown.reading_step, compared.rig.reading_names
    coarse = [spoken(names[i]) for i in np.flatnonzero(step >= _COARSE)]
    if not coarse or compared.posed.of_shots:
        return []
    shown = replace(compared.shown, reading_step=np.minimum(step, _FINE))
    finer = replace(compared, shown=shown, posed=from_readings(compared.rig, shown))
    return [f"Rounded to {np.degrees(step.max()):g} deg, since the file has whole degrees: "
            f"{few(coarse, _NAMED)}. With {np.degrees(_FINE):g} deg these poses would tell the "
            f"edge to {1000 * Envelope(finer).told95:.1f} mm in place of "
            f"{1000 * confirmed.told95:.1f} mm: copy every digit that the cab shows."]


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
            f"A pose that would tell: {pose_says(confirmed.telling, confirmed.compared.rig)}. "
            + ground_says()
            if confirmed.telling is not None else
            "No single pose clear of the ground tells them apart: compare both fields "
            "with the sheet.")
    return said


def _fit(confirmed):
    off = np.linalg.norm(np.nan_to_num(confirmed.differences), axis=1)
    poses = len(np.unique(confirmed.compared.shown.pose))
    return (f"at most {1000 * off.max():.0f} mm apart at the {len(off)} shown points of {poses} "
            f"pose{'s' * (poses > 1)}")


def own_says(document: ResultRecord) -> str:
    """What would leave a display more room where more poses do not."""
    own = [] if document.entries is None else document.entries.own
    listed = ", ".join(f"{o.name} ({1000 * (o.moves or 0.0):.1f} mm)" for o in own[:_NAMED])
    return ("More poses like these do not prove it. " + (
        f"Make entries of what the system holds of its own, where it asks for it: {listed}; in the "
        "list it stands under known." if own else
        "Shoot more poses, so that the result leaves more of the requirement to the display, "
        "or type finer steps."))


def ground_says() -> str:
    """What was taken of the ground for poses to show."""
    return (f"The boom foot pin is taken to be {Site.foot_height:.1f} m above level ground, and "
            f"the edge stays {100 * Site.clearance:.0f} cm clear of it and below {Site.highest} m, "
            "as in a plan. Where the ground is higher, stop before the edge touches it.")


def proof_says(found: Proof) -> str:
    """How many poses prove a list typed without a slip; or why none do, and what would help."""
    goal, known, off, told, whole = (f"{1000 * x:.1f} mm" for x in (
        found.goal, found.known95, found.off, found.told95, found.within95))
    if found.proves:
        driven = f"{np.degrees(DRIVEN):.1f} deg"
        return (f"With {len(found.nodes)} poses an exactly typed display, driven to within "
                f"{driven} of them and copied to 0.01 deg and 1 mm, proves the edge right to "
                f"{whole} of the required {goal}: {off} for the list, and as a root of squares "
                f"{known} for the result and {told} for the display (95 %, worst).")
    if not len(found.nodes):
        return f"No pose can be named that proves what was typed: {ground_says()}"
    return (f"No display proves that this list was typed right to the required {goal}, not with "
            f"{MOST} poses: the list costs {off}, the result is known to {known} and the display "
            f"tells {told} at best, {whole} in all"
            + (", and some slip of more than what is left would not show" if
               found.within95 <= found.goal else "")
            + ". Type finer steps, make entries of what the system holds of its own, or shoot more "
            "poses.")


def _told(confirmed):
    """What the edge is right to once the display agrees, and what of that is the display's."""
    told, known, off, whole = (f"{1000 * x:.1f} mm" for x in (
        confirmed.told95, confirmed.known95, confirmed.off, confirmed.within95))
    return (f"Whatever was typed, these poses tell the edge to {told} (95 %, worst over the "
            f"envelope); with {known} that it is known to and {off} for the list that is {whole} ("
            "spreads as a root of squares, the list added)")


def slip_says(tried: Tried, sheet: Sheet) -> str:
    """A slip, or two, in a sentence or two."""
    return " ".join(_one(slip, sheet) for slip in tried.slips)


def _one(slip: Slip, sheet: Sheet):
    entries = sheet.entries.entries
    if len(slip.typed) > 1:
        names = [entries[i].name for i in slip.typed]
        listed = few(names, _NAMED)
        if slip.family in (Family.SWAPPED, Family.SWAPPED_FAR):
            return f"The values of {names[0]} and {names[1]} are exchanged."
        more = _more(slip) or family_says(slip.family)
        return f"{more[:1].upper()}{more[1:]} ({listed})."
    (i, value), = slip.typed.items()
    entry = entries[i]
    off = value - sheet.right[i]
    how = "" if slip.family is Family.BY_AMOUNT else f" ({_kind(slip)})"
    return (f"{entry.name} holds {held(value, entry.decimals)} {entry.unit} in place of "
            f"{entry.text(sheet.right[i])} {entry.unit}{how}: off by "
            f"{held(off, entry.decimals, '+')} {entry.unit}.")


def family_says(family: Family) -> str:
    """What slips of a kind are called."""
    return _FAMILIES[family]


def _kind(slip: Slip) -> str:
    return ": ".join(filter(None, (family_says(slip.family), _more(slip))))


def _more(slip: Slip) -> str:
    of = slip.of
    if slip.family is Family.POINT:
        of = (f"{of[0]} place{'s' * (of != (1,))}",)
    elif slip.way is Way.KIND:
        of = (_KINDS[str(of[0])],)
    return _MORE.get(slip.way or slip.family, "").format(*of)


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
    where = ("no single pose clear of the ground shows it alone, more of them together may: "
             "compare the field with the sheet") \
        if found.pose is None else f"show one with {pose_says(found.pose, sheet.entries.rig)}"
    return (f"{listed}: a slip of {1000 * found.moves:.0f} mm at the edge cannot be seen at these "
            f"poses ({_kind(found.tried.slips[0])}); {where}.")


def pose_says(pose: TellingPose, rig: Rig) -> str:
    """Where to drive."""
    return (f"readings of about {readings_say(rig, pose.readings)} deg, "
            f"where the display of {spoken(pose.target)} differs by {1000 * pose.apart:.0f} mm")


def readings_say(rig: Rig, readings: np.ndarray) -> str:
    """What the sensors show in a pose, to drive there; what is not named is at 0."""
    shown = (np.degrees(readings) + 180) % 360 - 180
    return ", ".join(f"{spoken(name)} {angle:.0f}" for name, angle in
                     zip(rig.reading_names, shown, strict=True) if abs(angle) >= 0.5)
