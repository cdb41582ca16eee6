"""What is said of two results that are of different models, or of one machine in other numbers."""

from collections.abc import Sequence

from calib.chain.circle import wrapped
from calib.judge import same_model
from calib.judge.common import correlation_known, shared_points, went_into
from calib.judge.survey import Survey
from calib.machine import Machine
from calib.report.numbers import in_words
from calib.report.spoken import few, spoken


def difference_says(difference: same_model.ModelDifference, older: str = "the older",
                    newer: str = "the newer") -> str:
    """One difference, as part of a sentence; `older` and `newer` are what the two are called."""
    what, one, other = _parts(difference)
    return f"{what} is {one} in {older} and {other} in {newer}"


def _parts(difference):
    name, pair = difference.name, (difference.older, difference.newer)
    if difference.kind == same_model.CHAIN:
        return "the chain of motions", *(f"that of {title}" for title in pair)
    if difference.kind == same_model.DIRECTION:
        return f"the direction of {spoken(name)}", *(f"{direction:+.0f}" for direction in pair)
    if difference.kind == same_model.SENSOR:
        return f"the sensor {spoken(name)}", *(_sensor(*sensor) for sensor in pair)
    if difference.kind == same_model.HELD:
        return f"the {spoken(name)}", *(_held(value, difference.unit) for value in pair)
    return f"the target {spoken(name)}", "one point of the machine", "another"


def _sensor(kind, zero, varying):
    also = "".join(f" and {spoken(name)} times {times}" for name, times in varying)
    return f"of kind {kind} with the {spoken(zero)}{also}"


def _held(value, unit):
    if value is None:
        return "estimated"
    turned = float(wrapped(value)) if unit == "deg" else value
    return f"held at {in_words(turned, unit, '.6g', '.6g')}"


def in_common_says(first: Survey, second: Survey, one: str, other: str) -> list[str]:
    """What took part in both, and how that is counted; `one` and `other` are their names."""
    said = []
    if not correlation_known(first, second):
        said.append("What is known of the machine in one of them rests on shots that are in the "
                    "other too, and how is not on record (runs of one adjustment, or another "
                    "solution of an earlier run): their difference has no sd of its own. Of runs "
                    "adjusted in one go, calib drift PLAN.toml says what has moved.")
    for before, after, names in ((first, second, (one, other)), (second, first, (other, one))):
        if went_into(before, after):
            said.append(f"{names[0][0].upper()}{names[0][1:]} went into {names[1]} as what was "
                        "known of the machine: the sds of the differences are of what is new in "
                        f"{names[1]}, and what it tells nothing new of is not tested.")
    if points := shared_points(first, second):
        said.append(f"Both lean on the known points {few(points, 6)}: what their coordinates are "
                    "off by is in both alike, which the sds of the differences do not count.")
    return said


def source_says(machine: Machine) -> str:
    """Where it comes from what is known of a machine."""
    return (f"{machine.runs} other runs adjusted in one go with this one" if machine.runs
            else machine.source)


def known_says(machine: Machine, twice: Sequence[str]) -> list[str]:
    """What a run knows of its machine, and what of its own tape that leaves out: notices."""
    said = [f"{len(machine.names)} parameters are known from {machine.source}, with their full "
            "covariance"]
    if twice:
        said.append(f"tape.csv: left out, since it took part in {machine.source}: "
                    f"{', '.join(map(spoken, twice))}")
    return said


def otherwise_says(found: same_model.OneMachine | same_model.ExchangedLengths) -> str:
    """How two results describe one machine by different numbers; without a full stop."""
    if isinstance(found, same_model.ExchangedLengths):
        return (f"The {spoken(found.one)} and the {spoken(found.other)} have exchanged their "
                "values: in one of the results their reading columns are exchanged")
    exchanged = [*map(spoken, found.exchanged)]
    how = f"with {' and '.join(exchanged)} exchanged" if exchanged else "by other numbers"
    return (f"Both describe one machine {how}: the edge is the same within "
            f"{1000 * found.off:.0f} mm (rms), although the numbers differ as for "
            f"{1000 * found.meant:.0f} mm")
