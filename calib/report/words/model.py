"""What is said of two results that are of different models, or of one machine in other numbers."""

import numpy as np

from calib.chain.circle import wrapped
from calib.judge.same_model import (
    CHAIN,
    DIRECTION,
    HELD,
    SENSOR,
    ExchangedLengths,
    ModelDifference,
    OneMachine,
)


def difference_says(difference: ModelDifference, older: str = "the older",
                    newer: str = "the newer") -> str:
    """One difference, as part of a sentence; `older` and `newer` are what the two are called."""
    what, one, other = _parts(difference)
    return f"{what} is {one} in {older} and {other} in {newer}"


def _parts(difference):
    name, pair = difference.name, (difference.older, difference.newer)
    if difference.kind == CHAIN:
        return "the chain of motions", *(f"that of {title}" for title in pair)
    if difference.kind == DIRECTION:
        return f"the direction of {name}", *(f"{direction:+.0f}" for direction in pair)
    if difference.kind == SENSOR:
        return f"the sensor {name}", *(_sensor(*sensor) for sensor in pair)
    if difference.kind == HELD:
        return name, *(_held(value, difference.unit) for value in pair)
    return f"the target {name}", "one point of the machine", "another"


def _sensor(kind, zero, varying):
    also = "".join(f" and {name} times {times}" for name, times in varying)
    return f"of kind {kind} with the zero {zero}{also}"


def _held(value, unit):
    if value is None:
        return "estimated"
    shown = f"{np.degrees(wrapped(value)):.6g} deg" if unit == "deg" else f"{1000 * value:.6g} mm"
    return f"held at {shown}"


def otherwise_says(found: OneMachine | ExchangedLengths) -> str:
    """How two results describe one machine by different numbers; without a full stop."""
    if isinstance(found, ExchangedLengths):
        return (f"{found.one} and {found.other} have exchanged their values: in one of the results "
                "their reading columns are exchanged")
    exchanged = found.exchanged
    how = f"with {' and '.join(exchanged)} exchanged" if exchanged else "by other numbers"
    return (f"Both describe one machine {how}: the edge is the same within "
            f"{1000 * found.off:.0f} mm (rms), although the numbers differ as for "
            f"{1000 * found.meant:.0f} mm")
