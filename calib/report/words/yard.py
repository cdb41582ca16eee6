"""What the yard page says: of a shot, of the edge, of what to do next."""

from collections.abc import Mapping, Sequence

from calib.judge.misbooked import Booked
from calib.report.plan_words import shots_in_words
from calib.report.spoken import few, spoken
from calib.report.words.suspect import lies_edit, lies_says

#: The states of a shot, as they are shown: never by colour alone.
FITS, MISFIT, EARLY, ASIDE, KEPT = "fits", "does not fit", "not checked yet", "set aside", "kept"

#: So many values that do not fit are named, of more their number.
_NAMED = 3

#: A log that has not grown for so long is not the machine of now, s.
STALE = 5.0

#: The sign before each, of another shape each.
SIGNS = {FITS: "\u25cf", MISFIT: "\u25b2", EARLY: "\u25cb", ASIDE: "\u2013", KEPT: "\u25c6"}

#: What is left to do about a shot of a pose that the machine has left.
_MOVED_ON = ("The machine has moved on: set it aside, or drive there again as a pose of a new "
             "name.")


def mm(metres: float) -> str:
    """A length as it is said in the yard.

    Examples
    --------
    >>> mm(0.0123), mm(0.00234), mm(3.2)
    ('12 mm', '2.3 mm', '3.2 m')
    """
    if metres >= 1:
        return f"{metres:.1f} m"
    return f"{1000 * metres:.0f} mm" if metres >= 0.00995 else f"{1000 * metres:.1f} mm"


def shot_says(state: str, length: float, usual: float, *, twin: str | None = None,
              fitting: str | None = None, again: bool = False,
              look_at: Sequence[str] = (), here: bool = True,
              lies: Booked | None = None) -> str:
    """A shot against what the others predict for it; lengths in m, NaN where nothing does.

    Parameters
    ----------
    usual : float
        What 95 of 100 misses like it stay within.
    twin : str or None
        Another shot of the same target, where nothing but that tells that one is wrong.
    fitting : str or None
        Another shot of the same target of the same pose, that fits.
    again : bool
        Whether the same target of the same pose was shot twice and neither fits.
    look_at : sequence of str
        Readings of its pose that would explain it together with the others of the pose.
    here : bool
        Whether the machine is still in its pose.
    lies : Booked or None
        Where it lies, if it was booked as another shot than it is.
    """
    if length != length:
        return "Nothing predicts it yet."
    if state == EARLY:
        return f"Predicted to {mm(usual)} only so far: hardly a check."
    if twin is not None and state == MISFIT:
        return (f"{mm(length)} from {twin}, of the same target: one of them is wrong. "
                + ("Shoot it once more now, while the machine stands." if here else _MOVED_ON))
    against = f"{mm(length)} from where the others put it; {mm(usual)} is usual."
    if state != MISFIT:
        return against
    if lies is not None:
        return f"{against} {lies_says(lies)} {lies_edit(lies)}"
    if look_at:
        return (f"{against} The other shots of this pose are off as well: look at its reading of "
                f"{_one_of(look_at)} before you shoot again.")
    if fitting is not None:
        return f"{against} {fitting} of the same target fits: take this one out."
    if again:
        return (f"{against} Shot twice and off twice: read the sensors of this pose again, and "
                "look whether the machine moved.")
    return f"{against} {'Shoot it again now, while the machine stands.' if here else _MOVED_ON}"


def edge_says(now: float | None, required: float, later: float | None, poses: int,
              left_out: Sequence[str] = ()) -> str:
    """The edge at 95 %, worst over the envelope: now, required, expected after the next poses.

    `left_out` are values that do not fit, and nobody has decided about: they may be right.

    Examples
    --------
    >>> edge_says(0.0094, 0.02, None, 0, ["07-edge_mid"])
    'Left out, for it does not fit: 07-edge_mid. Decide about it: without it the edge is known to \
9.4 mm; 20 mm required.'
    """
    if now is None:
        return (f"Required: {mm(required)}. Too few shots to tell yet.")
    if left_out:
        it, they = ("it", "it does") if len(left_out) == 1 else ("them", "they do")
        says = (f"Left out, for {they} not fit: {few(left_out, _NAMED)}. Decide about {it}: "
                f"without {it} the edge is known to {mm(now)}; {mm(required)} required.")
    else:
        word = "met" if now <= required else "not met yet"
        says = f"Known to {mm(now)}; {mm(required)} required: {word}."
    if later is not None and poses:
        following = "the next pose" if poses == 1 else f"the next {poses} poses"
        says += f" After {following}: {mm(later)} expected."
    return says


def minutes_say(so_far: float | None, to_go: float) -> str:
    """How long it has taken and will take.

    Examples
    --------
    >>> minutes_say(0.2, 28.4), minutes_say(1.2, 0.0)
    ('Just begun, 28 minutes to go', '1 minute so far, nothing planned is left')
    """
    gone = "" if so_far is None else (
        "Just begun, " if so_far < 0.5 else f"{_minutes(so_far)} so far, ")
    return gone + (f"{_minutes(max(to_go, 1))} to go" if to_go else "nothing planned is left")


def _minutes(count):
    return "1 minute" if round(count) == 1 else f"{count:.0f} minutes"


def _one_of(names):
    return " or ".join(spoken(name) for name in names)


def doubt_says(pose: str, readings: Sequence[tuple[str, str, float]]) -> str:
    """Readings of a pose to look at: name, what was noted, with its unit, and off by, deg or m.

    Examples
    --------
    >>> doubt_says("07", [("stick", "-45.2 deg", 9.93)])
    'Pose 07: its shots fit if one reading is wrong. Look at stick: -45.2 deg is noted, about 9.9 \
deg too much. Correct it if it is a slip of the pen; shoot again only if it is right.'
    """
    each = [f"{spoken(name)}: {noted} is noted, about {abs(off):.2g} "
            f"{noted.rpartition(' ')[2]} too {'much' if off > 0 else 'little'}"
            for name, noted, off in readings]
    return (f"Pose {pose}: its shots fit if one reading is wrong. Look at {'; or '.join(each)}. "
            "Correct it if it is a slip of the pen; shoot again only if it is right.")


def to_do(at: str | None, left: Sequence[str], again: Sequence[str], following: str | None,
          enough: bool, look_at: Sequence[str] = (), lies: Sequence[Booked] = (),
          undecided: int = 0) -> str:
    """The one thing to do next.

    Parameters
    ----------
    left : sequence of str
        Targets to shoot in the pose the machine is in.
    again : sequence of str
        Those of them whose shot does not fit.
    look_at : sequence of str
        Readings of the pose that are doubted.
    lies : sequence of Booked
        Shots of the pose that lie elsewhere than they are booked.
    undecided : int
        Values that do not fit and are not set aside.
    """
    if at is not None and look_at:
        return f"Pose {at}: look at the reading of {_one_of(look_at)} before you shoot again."
    if at is not None and lies:
        return (f"Pose {at}: look what {' and '.join(one.shot for one in lies)} was booked as "
                "before you shoot again.")
    if at is not None and left:
        once = shots_in_words([target for target in left if target not in again])
        more = shots_in_words(list(again)) + " again" if again else ""
        return f"Pose {at}: shoot {', then '.join(filter(None, [more, once]))}."
    if enough and undecided:
        what = "One value does" if undecided == 1 else f"{undecided} values do"
        them = "it" if undecided == 1 else "them"
        return (f"{what} not fit: decide about {them}. Without {them} the edge is known as well as "
                "required; then solve it at the desk.")
    if enough:
        return "Enough: the edge is known as well as required. Solve it at the desk."
    if following is not None:
        return f"Drive to pose {following}, then note the readings."
    return "Nothing is planned: note the readings of a pose of your own, then shoot its targets."


def come_to(noted: Mapping[str, str]) -> str:
    """How a pose is to be come to: what is noted of it, as planned.

    Examples
    --------
    >>> come_to({"approach": "up", "load": "hanging"}), come_to({})
    (' Planned: approach up, load hanging.', '')
    """
    each = ", ".join(f"{spoken(name)} {word}" for name, word in noted.items())
    return f" Planned: {each}." if each else ""


def behind_says(pose: str, targets: Sequence[str]) -> str:
    """What was not shot before the machine moved on."""
    return (f"Pose {pose} was left without {shots_in_words(list(targets))}. If the machine has "
            "moved since, a shot of it now would be wrong: drive there again as a pose of a new "
            "name, or go without.")


def edge_height(low: float, high: float) -> str:
    """How high the corners of the edge are above the ground, m.

    Examples
    --------
    >>> edge_height(0.41, 0.44), edge_height(0.6, 1.3)
    ('Edge 0.4 m above the ground', 'Edge 0.6 to 1.3 m above the ground')
    """
    ends = [f"{height:z.1f}" for height in (low, high)]
    return f"Edge {' to '.join(dict.fromkeys(ends))} m above the ground"


def log_says(moving: Sequence[str], age: float | None) -> str:
    """What the end of the log tells of the machine; `age` in s since the log grew."""
    if age is not None and age > STALE:
        return (f"The log has not grown for {_minutes(age / 60)}: these are the readings of then."
                if age >= 90 else f"The log has not grown for {age:.0f} seconds.")
    if moving:
        return f"Moving: {', '.join(spoken(name) for name in moving)}."
    return "The machine stands still."


def points_say(file: str, added: int, waiting: int) -> str:
    """What came of a file of points."""
    shots = "1 new shot" if added == 1 else f"{added or 'no'} new shots"
    wait = f"; {waiting} of which you say what {'it is' if waiting == 1 else 'they are'}"
    return f"{file}: {shots}{wait if waiting else ''}."


def aside_says(now: float | None, then: float | None, moved: float | None, count: int) -> str:
    """What setting values aside, or taking them back, does to the edge."""
    if then is None:
        return "Without these the run cannot be solved."
    before = "cannot be told" if now is None else f"known to {mm(now)}"
    says = f"The edge: now {before}, then {mm(then)} (95 %, worst over the envelope)."
    if moved is not None:
        says += f" It moves by {mm(moved)} at most."
    rest = "everything else fits" if count == 0 else (
        f"{count} {'value' if count == 1 else 'values'} more would not fit")
    return f"{says} Then {rest}."


def off_plan(name: str, read: float, planned: float, below: float, above: float,
             unit: str = "deg") -> str | None:
    """A reading that is not within the range of the plan; None if it is."""
    off = read - planned if unit == "m" else (read - planned + 180.0) % 360.0 - 180.0
    if -below - 0.05 <= off <= above + 0.05:
        return None
    digits = 2 if unit == "m" else 0
    return (f"{spoken(name)}: {read:g} {unit} noted, {planned - below:.{digits}f} to "
            f"{planned + above:.{digits}f} planned.")


def taken_out(pose: str, target: str) -> str:
    """What it was that was taken out of a run; the pose is empty of a point that is no shot."""
    return f"{spoken(target)} of pose {pose}" if pose else "a point that is no shot"


#: What a file was before, and its name now; why there is no solution, and no result.
KEPT_AS = "The {} of before is kept as {}."
UNDETERMINED = "nothing fixes {} of its unknowns, or combinations of them, yet"
UNSOLVED = "There is no result yet: {}."

#: What is told of a fault of the program.
FAULT = ("This is a fault of the program; the terminal says more. What was noted before is in the "
         "run folder.")
