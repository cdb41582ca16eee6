"""What the yard page says: of a shot, of the edge, of what to do next."""

from collections.abc import Sequence

from calib.report.plan_words import shots_in_words

#: The states of a shot, as they are shown: never by colour alone.
FITS, MISFIT, EARLY, ASIDE, KEPT = "fits", "does not fit", "not checked yet", "set aside", "kept"

#: The sign before each, of another shape each.
SIGNS = {FITS: "\u25cf", MISFIT: "\u25b2", EARLY: "\u25cb", ASIDE: "\u2013", KEPT: "\u25c6"}


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


def shot_says(state: str, length: float, usual: float, again: bool = False) -> str:
    """A shot against what the others predict for it; lengths in m.

    Parameters
    ----------
    usual : float
        What 95 of 100 misses like it stay within.
    again : bool
        Whether the same target of the same pose was shot twice and neither fits.
    """
    if state == EARLY:
        return "Nothing predicts it yet."
    against = f"{mm(length)} from where the others put it; {mm(usual)} is usual."
    if state == MISFIT and again:
        return (f"{against} Shot twice and off twice: read the sensors of this pose again, and "
                "look whether the machine moved.")
    if state == MISFIT:
        return f"{against} Shoot it again now, while the machine stands."
    return against


def edge_says(now: float | None, required: float, later: float | None, poses: int) -> str:
    """The edge at 95 %, worst over the envelope: now, required, expected after the next poses."""
    if now is None:
        return (f"Required: {mm(required)}. Too few shots to tell yet.")
    word = "met" if now <= required else "not met yet"
    says = f"Known to {mm(now)}; {mm(required)} required: {word}."
    if later is not None and poses:
        following = "the next pose" if poses == 1 else f"the next {poses} poses"
        says += f" After {following}: {mm(later)} expected."
    return says


def minutes_say(so_far: float | None, to_go: float) -> str:
    """How long it has taken and will take."""
    gone = "" if so_far is None else f"{so_far:.0f} minutes so far, "
    return f"{gone}{to_go:.0f} minutes to go" if to_go else f"{gone}nothing planned is left"


def to_do(at: str | None, left: Sequence[str], following: str | None, enough: bool) -> str:
    """The one thing to do next."""
    if at is not None and left:
        return f"Pose {at}: shoot {shots_in_words(list(left))}."
    if enough:
        return "Enough: the edge is known as well as required."
    if following is not None:
        return f"Drive to pose {following}, then note the readings."
    return "Nothing is planned: note the readings of a pose of your own, then shoot its targets."


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


def off_plan(name: str, read: float, planned: float, below: float, above: float) -> str | None:
    """A reading that is not within the range of the plan, deg; None if it is."""
    off = (read - planned + 180.0) % 360.0 - 180.0
    if -below - 0.05 <= off <= above + 0.05:
        return None
    return (f"{name}: {read:g} deg noted, {planned - below:.0f} to {planned + above:.0f} planned. "
            "A slip of the pen? If the machine stands so, it counts as it is.")


def solved_says(passed: bool) -> str:
    """What comes of solving the run."""
    return ("Solved; everything that is asked of a result is met." if passed else
            "Solved; not everything that is asked of a result is met: the report says what.")
