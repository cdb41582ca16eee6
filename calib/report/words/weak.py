"""What is said of a combination of unknowns that the shots hardly tell."""

import numpy as np

from calib.judge.identify import NO_JOINT, NO_POSE, SUM, Weak
from calib.report.numbers import in_words
from calib.report.spoken import spoken


def weak_says(weak: Weak) -> str:
    """What cannot be told apart, who decides then, and which pose would tell."""
    return " ".join([_cannot_tell(weak), _who_decides(weak), _separated(weak)])


def _cannot_tell(weak):
    first = weak.moving[0]
    one, *others = (spoken(moving.name) for moving in weak.moving)
    free = "by any amount" if np.isinf(weak.sd) else f"by {_size(first.unit, weak.sd)} (1 sd)"
    if not others:
        return f"The shots alone do not fix the {one}: it can move {free}."
    if weak.only is not None:
        what = "sum" if weak.only.what == SUM else "difference"
        return (f"These poses cannot tell the {one} from the {others[0]}: each can move "
                f"{free}; only their {what} is known, to {_size(first.unit, weak.only.sd)}.")
    follow = ", ".join(f"{name} ({_follows(weak, other)})"
                       for name, other in zip(others, weak.moving[1:], strict=True))
    return (f"These poses cannot tell the {one} from {', '.join(others)}: the {one} can move "
            f"{free} if the others follow: {follow}.")


def _follows(weak, other):
    """How far another unknown follows when the first moves up by its sd (or by 10 mm, 1 deg)."""
    first = weak.moving[0]
    step = weak.sd if np.isfinite(weak.sd) else (np.radians(1.0) if first.unit == "deg" else 0.01)
    moved = other.per_first * step
    per = "" if np.isfinite(weak.sd) else f" per {_size(first.unit, step)}"
    return f"{'+' if moved > 0 else '-'}{_size(other.unit, abs(moved))}{per}"


def _who_decides(weak):
    if weak.taped:
        return f"The tape decides: {', '.join(map(spoken, weak.taped))}."
    return "No tape value decides either." if weak.of_rig else "It concerns the stand only."


def _separated(weak):
    pose = weak.separated_by
    if pose.kind == NO_JOINT:
        return "No further pose of this rig separates them."
    if pose.kind == NO_POSE:
        return ("No single further pose of the same targets separates them; tape one of them, or "
                "shoot another target.")
    joints = " and ".join(f"{spoken(name)} joint at {np.degrees(angle):+.0f} deg"
                          for name, angle in pose.joints)
    times = "" if np.isinf(pose.times) else f", about {pose.times:.0f} times better"
    return f"A pose with {joints} would separate them{times}."


def _size(unit, value):
    return (f"{value:.3g} m" if unit == "m" and value >= 1 else
            in_words(value, unit, ".3g", ".2g"))
