"""What a plan promises and takes for granted, in sentences, from its document."""

from collections.abc import Mapping, Sequence

import numpy as np

from calib.adjust.distributions import TIMES_SD
from calib.document.planned import PlanRecord, PoseRecord
from calib.plan.candidates import Rule
from calib.plan.choose import PARAMETERS
from calib.plan.curve import KNEE_MINUTES, KNEE_SHARE
from calib.plan.tolerance import FINE, TRIED
from calib.report.spoken import spoken

#: Corners higher than this above the ground are out of reach of a pole that somebody holds, m
#: (common practice, no source).
POLE = 2.0

#: Of readings, by their unit.
DECIMALS = {"deg": 1, "m": 2}

#: An edge that is known to no better at 95 % is not determined: the linear theory of such sds means
#: nothing, m.
KNOWN = 1.0


def pole_reach(poses: Sequence[PoseRecord], foot_height: float, command: str) -> str:
    """How high the edge goes, and what that means for a crew with a pole.

    Parameters
    ----------
    command : str
        Of calib, that takes --highest.
    """
    highest = [pose.edge_height[1] for pose in poses]
    count = sum(height > POLE for height in highest)
    given = f"(the boom foot pin is taken to be {foot_height:g} m up)"
    if not count:
        return f"The edge is {max(highest):.1f} m above the ground at most {given}."
    return (f"The edge is above {POLE:g} m in {count} of {len(poses)} poses, {max(highest):.1f} m "
            f"above the ground at most {given}. Poses with the edge above {POLE:g} m cannot be "
            f"shot with a pole: use calib {command} with --highest {POLE:g} for that.")


def column(name: str, unit: str) -> str:
    """The heading of a reading's column in a table of poses, which are in deg."""
    return name if unit == "deg" else f"{name}, {unit}"


def shown_cells(pose: PoseRecord, units: Mapping[str, str]) -> list[str]:
    """Readings of a pose, deg to a tenth and m to a centimetre."""
    return [f"{pose.readings[name]:.{DECIMALS[unit]}f}" for name, unit in units.items()]


def notes_in_words(pose: PoseRecord) -> str:
    """What is to be noted of a pose: a name and a word, several with commas."""
    return ", ".join(f"{spoken(name)} {word}" for name, word in pose.noted.items())


def edge_span(pose: PoseRecord) -> str:
    """Height of the edge's lowest and highest corner above the ground, m."""
    low, high = (f"{height:z.1f}" for height in pose.edge_height)
    return low if low == high else f"{low} to {high}"


def shots_in_words(shoot: list[str]) -> str:
    """What is shot in a pose, short: both ends of what has two are named once.

    Examples
    --------
    >>> shots_in_words(["edge_left", "edge_right", "stick_pin"])
    'edge, stick pin'
    >>> shots_in_words(["boom_foot_left"])
    'boom foot left'
    """
    words, left = [], list(shoot)
    while left:
        name = left.pop(0)
        both = name.removesuffix("_left")
        if both != name and f"{both}_right" in left:
            left.remove(f"{both}_right")
            name = both
        words.append(spoken(name))
    return ", ".join(words)


def promises(document: PlanRecord) -> list[str]:
    """What the plan will give, what it is worth when something is lost, how long it takes."""
    predicted, minutes = document.predicted, document.minutes
    says = [
        f"Shot as planned, the edge will be known to {within(predicted.worst)} (95 %; 1 sd "
        f"{mm(predicted.worst)}; 3-D, from the calibration alone) at the worst place of the "
        f"working envelope, {within(predicted.median)} at the median. All that follows is at 95 %, "
        "at the worst place."
    ]
    if document.goal is not None:
        says.append(_goal(document, document.goal))
    says.append(_share_of_the_best(document))
    says += _losses(document)
    says.append(
        f"About {minutes.total:.0f} minutes in the field for {len(document.poses)} poses and "
        f"{document.shots} shots: {minutes.settling:.0f} to settle, lock and read, "
        f"{minutes.shooting:.0f} to shoot, {minutes.driving:.0f} to drive"
        + (f", {minutes.moving:.0f} from stand to stand" if minutes.moving else "") + ".")
    return [*says, *_flattens(document), *_for_the_display(document)]


def _goal(document, goal):
    """Whether the goal is reached, also with a pose lost, and in how many minutes each would be."""
    least, spared, lost = (document.least_minutes, document.least_minutes_one_lost,
                           document.robust.pose_lost)
    said = f"The goal of {mm(goal)} is NOT reached"
    if document.predicted.within95 <= goal:
        said = f"The goal of {mm(goal)} is reached" + (
            ", also if any one pose is lost" if lost is not None and TIMES_SD * lost <= goal else
            f", but not if one pose is lost: the edge is then known to {within(lost)}")
    if least is None:
        return f"{said}."
    with_one_lost = (f"{spared:.0f} minutes do even if any one pose is lost" if spared else
                     "no minutes found do if one pose is lost")
    undone = ", which one lost pose undoes" if spared != least else ""
    return f"{said}. The least minutes found for it are {least:.0f}{undone}; {with_one_lost}."


def _share_of_the_best(document):
    """What the bound says of the plan."""
    share = int(100 * document.predicted.efficiency)
    if document.criterion == PARAMETERS:
        what = (f"it tells at least {share} % as much per unknown (determinant of the "
                "information) as any choice of")
    else:
        what = (f"the mean edge variance would be {share} % of this plan's or more with any choice "
                "of")
    return (f"At least {share} % of the best possible in these minutes: {what} the "
            f"{document.candidates.bundles} bundles of shots looked at, even in fractions (a bound "
            "by the equivalence theorem, which tells what no choice can better).")


def _flattens(document):
    """Where more minutes stop to help, and what shooting more than the edge is worth."""
    curve = document.curve
    says: list[str] = []
    if curve is None:
        return says
    if curve.knee is not None:
        says.append(f"After {curve.knee:.0f} minutes, {KNEE_MINUTES:g} more better the edge by "
                    f"less than {100 * KNEE_SHARE:.0f} %.")
    other, total = curve.edge_only, document.minutes.total
    if other is not None and other.minutes and total >= other.minutes[0]:
        alone = float(np.interp(total, other.minutes, other.worst))
        says.append(f"With nothing shot but the edge, the same minutes would give {within(alone)}.")
    return says


def _losses(document):
    robust, says = document.robust, []
    says.append(
        f"Any one pose lost: still {within(robust.pose_lost)} (pose {robust.pose} matters most). "
        f"One target lost in a third of the poses: {within(robust.targets_lost)} (worst of 20 "
        "random draws).")
    if document.undetermined:
        says.append("The shots alone do not determine, so that only the tape decides: "
                    + "; ".join(map(spoken, document.undetermined)) + ".")
    says += _kept_out(document.kept_out)
    if robust.undetermined:
        says.append("WEAK: losing one of the poses " + ", ".join(robust.undetermined)
                    + " leaves something undetermined by the shots. Plan more poses.")
    if robust.targets_undetermined:
        says.append("WEAK: losing one target in a third of the poses can leave something "
                    "undetermined by the shots. Plan more poses.")
    return says


def _kept_out(kept_out):
    """What keeps machines out that the shots would fit as well."""
    says = [f"WEAK: these shots fit as well, and nothing that is usually taped keeps out, a "
            f"machine with {'; '.join(one.machines)}." for one in kept_out if one.quantity is None]
    taped = [one for one in kept_out if one.quantity is not None]
    if taped:
        what = "; ".join(f"{spoken(one.quantity)} ({', or '.join(one.machines)})" for one in taped)
        says.append("Tape these too, roughly: the shots would fit another machine as well, which "
                    f"only such a tape rules out. What to tape, and what it rules out: {what}.")
    return says


def _for_the_display(document):
    """What the machine's display needs of antennas or prisms on the house."""
    says = []
    for mark in document.display:
        ahead, left, above = (within(sd) for sd in mark.sd)
        line = ("" if mark.to is None or mark.bearing_sd is None else
                f", and how far the line from it to {spoken(mark.to)} points left of the boom "
                f"plane, known to {TIMES_SD * mark.bearing_sd:.2f} deg")
        says.append(
            f"If {spoken(mark.mark)} positions the machine, its display needs how far it is ahead, "
            f"left and above of the boom foot pin, known to {ahead}, {left} and {above}{line}. "
            "Both are in the result.")
    return says


def assumptions(document: PlanRecord) -> list[str]:
    """What the plan takes for granted."""
    site, left = document.site, document.candidates
    return [
        _known_before(document.tape),
        _errors(document),
        _effort(document.minutes),
        "The house is level and the tracks stand still within a stand"
        + ("; the house is swung." if document.swings else "; the house is not swung."),
        f"The ground is level, {site.foot_height:g} m below the boom foot pin. The edge stays "
        f"{100 * site.clearance:g} cm above it"
        + (f", {site.highest:g} m above it at most," if site.highest is not None else "")
        + f" and {site.nearest:g} m ahead of the pin."
        + ("" if site.highest is not None else " How high the edge may be is not limited."),
        _sight(site, document.swings),
        f"Ranges: one reading anywhere in its range, the others as planned, costs less than "
        f"{100 * FINE / len(document.poses):.1g} % of the edge sd ({TRIED[-1]:g} deg is the "
        "most that was tried); all readings off at once anywhere in their ranges, "
        f"{within(document.predicted.loose)} instead (95 %, at worst). They say nothing "
        "about obstacles: look before you move.",
        f"Chosen from {left.left} poses that can be shot, of {left.asked} looked at, with "
        f"{left.bundles} bundles of shots in the most promising of them (seed {document.seed}).",
    ]


def _effort(minutes):
    """Minutes of everything, what is alike named together."""
    alike: dict[str, list[str]] = {}
    for name, each in minutes.per_shot.items():
        pointed = " from the instrument" if name in minutes.pointed_at else ""
        alike.setdefault(f"{each:g} a shot{pointed}", []).append(spoken(name))
    shots = "; ".join(f"{each} ({', '.join(names)})" for each, names in alike.items())
    return (f"Minutes: {minutes.per_pose:g} to settle, lock, read and book a pose; {shots}; "
            f"{minutes.per_stand:g} from stand to stand; driving at the joints' speeds "
            "([effort] and [speeds] of the rig: common practice, no source).")


def _known_before(tape):
    if not tape.names:
        return f"Nothing is taped ({tape.source}): the plan counts on the shots alone."
    return f"Known beforehand, from {tape.source}: {', '.join(map(spoken, tape.names))}."


def _errors(document):
    """Sds, values that are alike named together."""
    alike: dict[str, list[str]] = {}
    noise = document.noise
    for reading in document.readings:
        sd = noise.readings[reading.name]
        shown = f"{sd:.2g} deg" if reading.unit == "deg" else f"{1000 * sd:.2g} mm"
        alike.setdefault(shown, []).append(spoken(reading.name))
    shots = [f"{1000 * sd:.2g}" for sd in noise.shot.values()]
    readings = "; ".join(f"{', '.join(names)} {sd}" for sd, names in alike.items())
    return (f"Errors, 1 sd, independent of each other: shots {', '.join(shots)} mm "
            f"({', '.join(noise.shot)}); {readings}.")


def _sight(site, swings):
    if site.instrument is None:
        return "Nothing is asked of the lines of sight."
    ahead, left, up = site.instrument
    behind, half_width, height = site.house
    return (
        f"Seen from the boom foot pin{', house not swung' if swings else ''}, the instrument is "
        f"{_way(ahead, 'ahead', 'behind')}, "
        f"{_way(left, 'left', 'right')} and {_way(up, 'above', 'below')}. It sees the edge at "
        f"{site.least_angle:.0f} deg or more from its own line, past boom and stick "
        f"({site.arm_width:g} m wide, straight from pin to pin) and the house ({behind:g} m "
        f"behind the pin, {2 * half_width:g} m wide, {height:g} m above the pin).")


def _way(distance, positive, negative):
    return f"{abs(distance):g} m {positive if distance >= 0 else negative}"


def within(sd: float | None) -> str:
    """What holds at 95 % of something with a 3-D sd in m, in words."""
    if sd is None:
        return "an unknown size"
    return mm(TIMES_SD * sd) if known(sd) else f"more than {KNOWN:g} m"


def known(sd: float) -> bool:
    """Whether a 3-D sd in m is that of something the shots tell at all."""
    return TIMES_SD * sd <= KNOWN


def mm(metres: float) -> str:
    """A length in millimetres, as many digits as a plan deserves."""
    return f"{1000 * metres:.1f} mm" if metres < 0.1 else f"{1000 * metres:,.0f} mm"


_SAYS = {
    Rule.BLIND: "a sensor would be blind",
    Rule.EDGE_LOW: "the edge would be in the ground",
    Rule.PIN_LOW: "a pin would be in the ground",
    Rule.HIGH: "the edge would be higher than allowed",
    Rule.NEAR: "the edge would be nearer to the machine than allowed",
    Rule.ARM: "the edge would touch boom or stick",
    Rule.END_ON: "a corner would be seen too nearly along the edge",
    Rule.HIDDEN: "the machine would be in the line of sight",
    Rule.NO_ROOM: "a reading would have no room to be off",
}


def removed_says(removed: Mapping[Rule, int]) -> dict[str, int]:
    """How many poses were taken away, by what is said of the rule."""
    return {_SAYS[rule]: count for rule, count in removed.items()}
