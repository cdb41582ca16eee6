"""The words of the trade that the report uses, a line each."""

from calib.report.blocks import Section, Table

_WORDS = (
    ("sd", "One standard deviation: about two values in three are within it, 95 % within two."),
    ("residual", "What is left of a shot once the readings are corrected as the solution has it: "
     "measured less adjusted."),
    ("miss", "Measured less computed at the readings as they were: errors of the readings are in "
     "it."),
    ("w", "A residual in its own sds; far from zero is rare in good data."),
    ("redundancy", "Share of an error in a value that shows in its residual: 0, nothing checks "
     "it; 1, all of it shows."),
    ("detectable", "The smallest error of a value that the tests would find four times in five."),
    ("variance factor", "Misfit over what the stated sds promise: near 1 is as promised; its "
     "root is how many times worse."),
    ("global test", "Whether the variance factor is one that good runs have: neither too large nor "
     "too small."),
    ("chance", "Of a test: how many good runs look as bad."),
    ("goal", "What the edge must be known to at 95 %: about twice its 3-D sd, worst over the "
     "envelope, readings exact."),
    ("suspect", "Does not fit the others, further out than the worst value of all but 1 in 100 "
     "good runs. Flagged: out for a single test, but among so many it may be chance."),
    ("plausible", "Within the range of the parameter, near what was stated, and told from every "
     "machine that fits the shots as well: mirrored, relabelled, or with readings exchanged."),
    ("tape only", "The shots say nothing about this quantity; the value is the tape's."),
    ("envelope", "The postures in which the machine works; the edge is judged over all of them."),
)


def glossary() -> Section:
    """What the words mean."""
    return Section("words", "Words", (
        Table("As this report uses them", ("word", "means"), [list(row) for row in _WORDS],
              wide=(1,), folded=True),
    ))
