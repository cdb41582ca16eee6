"""What is said of an effect that was tried on a run."""

from calib.explore.found import Untold, Verdict
from calib.report.spoken import spoken

#: In the tables.
VERDICTS = {
    Verdict.ASKED: "asked for", Verdict.ALIKE: "asked for, it or its like",
    Verdict.EXPLAINED: "explained by another", Verdict.MISTAKE: "a field mistake first",
    Verdict.NOTHING: "no evidence", Verdict.TOO_LARGE: "no: larger than machines have",
    Verdict.UNTOLD: "cannot be told here", Verdict.THERE: "in the rig already",
}


def untold_says(untold: Untold) -> str:
    """Why it cannot be told."""
    if untold.column:
        return f"readings.csv has no column {untold.column}"
    if untold.member:
        return f"{spoken(untold.member)} cannot be told"
    *others, last = [*map(spoken, untold.like)] or [
        "anything: nothing in these shots depends on it"]
    like = f"{', '.join(others)} and {last}" if others else last
    return (f"any that a machine has would pass unseen; it is nearly the same as {like}"
            if untold.told else f"the shots cannot tell it from {like}")
