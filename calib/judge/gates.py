"""The questions with a yes or no that the verdict rests on, and the risk that they share.

Some ask for a size (what the edge is known to, what check shots are missed by): they are passed or
not. The others are tests, and each condemns a clean run now and then. `ERROR_RATE` is what all of
them do together: a fifth of it is the search for suspects', whose limit may not hang on the other
tests because values are set aside by it; the rest is shared by the other tests that could be asked
as S. Holm does it, "A simple sequentially rejective multiple test procedure", Scandinavian Journal
of Statistics 6 (1979) 65-70 (from memory): of m chances the smallest is held against rate / m, the
next against rate / (m - 1), and so on until one is above. That holds however the tests hang
together.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, norm

from calib.calibration import Solution
from calib.judge.check import Checked, Offset
from calib.judge.correlation import Correlation
from calib.judge.goal import EdgeKnown
from calib.judge.hold_out import HeldOut
from calib.judge.scale import SurveyScale
from calib.judge.suspects import RUN_LEVEL as SUSPECTS_RATE
from calib.judge.suspects import Suspects

#: A clean run is condemned by some test with this probability, at most.
ERROR_RATE = 0.05

#: How the report says it.
SHARED_BY = (f"All tests together condemn a clean run with a chance of {100 * ERROR_RATE:g} % at "
             f"most: {100 * SUSPECTS_RATE:g} % by the search for suspects, "
             f"{100 * (ERROR_RATE - SUSPECTS_RATE):g} % by the other tests, shared as by Holm "
             "1979.")

#: A check shot further out than this share of good ones is not explained by its sds.
_SURPRISING = 0.001

#: Suspects that the verdict names.
_NAMED = 8

#: Weak combinations that the verdict names.
_LEADING = 2


@dataclass(frozen=True)
class Gate:
    """A question with a yes or no that the verdict rests on.

    Attributes
    ----------
    chance : float or None
        Of a test: that a clean run looks as bad. None of a size that is asked for.
    level : float or None
        What the chance was held against.
    """

    name: str
    passed: bool
    says: str
    chance: float | None = None
    level: float | None = None


@dataclass(frozen=True)
class Question:
    """A test before it is known what its chance is held against: what is said either way."""

    name: str
    chance: float
    passed: str
    failed: str


def shared(questions: Sequence[Question], rate: float = ERROR_RATE - SUSPECTS_RATE
           ) -> tuple[Gate, ...]:
    """The gates of tests that share an error rate by Holm's procedure, in the order given."""
    order = sorted(range(len(questions)), key=lambda i: questions[i].chance)
    gates, going = {}, True
    level = rate / max(1, len(questions))
    for place, i in enumerate(order):
        question = questions[i]
        if going:
            level = rate / (len(questions) - place)
            going = question.chance <= level
        says = question.passed if not going else question.failed
        gates[i] = Gate(question.name, not going, says, question.chance, level)
    return tuple(gates[i] for i in range(len(questions)))


def edge_gate(known: EdgeKnown) -> Gate:
    """Whether the edge is known as well as it must be; what is not known leads."""
    source = "rig.toml" if known.stated else "common practice, no source"
    goal = f"the goal is {_length(known.goal)} (95 %; {source})"
    if not np.isfinite(known.sd):
        return Gate("edge", False, "Nowhere in the envelope of rig.toml can the sensors tell the "
                    f"edge; {goal}.")
    known_to = (f"{_length(known.within95)} (95 %; 1 sd {_length(known.sd)}) at worst over the "
                f"envelope, readings exact; {goal}.")
    if known.met:
        return Gate("edge", True, f"The edge is known to {known_to}")
    leading = [weak.says for weak in known.because[:_LEADING]]
    leading = leading or ["These poses and their sds do not tell the edge well enough."]
    return Gate("edge", False, " ".join([*leading, f"The edge is known to {known_to}"]))


def global_gate(solution: Solution, together: Correlation | None) -> Question | Gate:
    """The global test, two-sided; a gate by itself where nothing is left to test with."""
    adjustment = solution.adjustment
    if not adjustment.dof:
        return Gate("global test", False, "Nothing is left over to check the fit with.")
    factor, dof = adjustment.variance_factor, adjustment.dof
    below, above = chi2.cdf(adjustment.chi2, dof), chi2.sf(adjustment.chi2, dof)
    if above < below:
        failed = (f"Shots, readings and tape fit each other {np.sqrt(factor):.1f} times worse than "
                  "their stated sds: something is wrong, or the sds are too small. calib diagnose "
                  "looks for the reason.")
    else:
        failed = (f"Shots, readings and tape fit each other {1 / np.sqrt(factor):.1f} times better "
                  "than their stated sds. Either these are too large, and the result is better "
                  "than it says; or errors go together, as those of a rover do from one shot to "
                  "the next: then the fit only looks good, and the result is worse than it says.")
        if together is not None:
            failed += (" The correlation from shot to shot comes out as "
                       f"{together.coefficient:.2f}.")
    passed = ("The shots, readings and tape fit each other within their stated sds (variance "
              f"factor {factor:.2f}).")
    return Question("global test", float(min(1.0, 2 * min(below, above))), passed, failed)


def suspect_gate(suspects: Suspects) -> Gate:
    """Whether nothing is further out than chance allows."""
    def gate(passed, says):
        return Gate("suspects", passed, says, suspects.chance, SUSPECTS_RATE)

    if suspects.remaining:
        found = f" Suspect so far: {', '.join(s.name for s in suspects.found[:_NAMED])}."
        stopped = suspects.stopped[0].upper() + suspects.stopped[1:]
        return gate(False, f"{stopped}." + (found if suspects.found else ""))
    if not suspects.found:
        return gate(True, "No shot, reading, taped value or pose is suspect.")
    chance = ", ".join(s.name for s in suspects.within_chance)
    chance = f"Flagged, but no further out than chance allows: {chance}." if chance else ""
    if not suspects.beyond_chance:
        return gate(True, chance)
    beyond = suspects.beyond_chance
    names = ", ".join(s.name for s in beyond[:_NAMED])
    if len(beyond) > _NAMED:
        names += f" and {len(beyond) - _NAMED} more; so many look like a mistake about the whole " \
                 "run"
    return gate(False, f"Suspect: {names}. {beyond[0].says} {chance}".rstrip())


def held_out_question(held: HeldOut) -> Question:
    """Whether poses that were left out are predicted as their sds promise."""
    size = f"{_length(held.rms_3d)} (rms 3-D) where their sds promise " \
           f"{_length(held.predicted_rms_3d)}"
    # The test weighs each miss by its own sd: it may fail where the rms over all shots does not.
    why = ("the sds promise too much" if held.rms_3d > held.predicted_rms_3d
           else "some are missed by far more than their own sds")
    return Question("held-out poses", held.chance,
                    f"Poses that were left out are predicted to {size}.",
                    f"Poses that were left out are missed by {size}: {why}.")


def correlation_question(told: Correlation) -> Question:
    """Whether the errors of shots are independent of those of the shots before."""
    order = "by their times" if told.timed else "as they stand in the file"
    return Question(
        "correlation", told.chance,
        f"The errors of shots that follow one another {order} do not go together.",
        f"The errors of shots that follow one another {order} go together (correlation about "
        f"{told.coefficient:.1f} from shot to shot): they count for less than as many independent "
        "ones, and the sds of the result are too small. A rover's errors wander like that: "
        "initialise it anew between poses, take the shots further apart in time, or use a total "
        "station. Or something moved or drifted little by little.")


def scale_question(scale: SurveyScale) -> Question:
    """Whether shots and taped lengths have the same scale."""
    percent, sd = 100 * scale.excess, 100 * scale.sd
    comes_out = f"lengths from the shots are {percent:+.2f} ± {sd:.2f} % (1 sd) off the taped ones"
    # Found four times in five at the least level that the test may have among five.
    unseen = 100 * scale.sd * (norm.isf((ERROR_RATE - SUSPECTS_RATE) / 10) + norm.isf(0.2))
    return Question(
        "survey scale", scale.chance,
        f"Shots and tape have one scale: {comes_out}. A wrong scale below about {unseen:.1f} % "
        "would pass unseen.",
        f"Shots and tape differ in scale: {comes_out}, all of them alike. A scale factor or a "
        "projection left on in the instrument, a wrong unit, or a tape that is: measure one long "
        "distance with both. The whole machine is off by that share.")


def offset_question(offset: Offset, count: int) -> Question:
    """Whether the check shots have nothing in common that the sds do not explain."""
    east, north, up = 1000 * offset.mean
    sds = ", ".join(f"{1000 * sd:.1f}" for sd in offset.sd)
    mean = f"east {east:+.1f}, north {north:+.1f}, up {up:+.1f} mm (1 sd {sds})"
    return Question(
        "check-shot offset", offset.chance,
        f"The {count} check shots have no common offset beyond chance: {mean}.",
        f"The {count} check shots are all off by one vector: {mean}. Another set-up or "
        "initialisation, another point or pole height, or a machine that moved in between.")


def check_gate(check: Checked) -> Gate:
    """Whether every check shot is within the tolerance."""
    word = "within" if check.passed else "not within"
    says = (f"{len(check.shots)} check shots are predicted to "
            f"{1000 * check.lengths.max():.0f} mm or better, {word} {_length(check.tolerance)}.")
    if not check.passed and (check.statistics <= chi2.isf(_SURPRISING, 3)).all():
        says += (" Their own sds, those of the readings and of the result explain misses of this "
                 "size: the tolerance asks for more than these shots can show.")
    if check.left_out:
        says += f" Not predicted, for what is set aside: pose {', '.join(check.left_out)}."
    return Gate("check shots", check.passed, says)


def _length(metres):
    """In mm with a digit after the point below 100 mm; beyond in m."""
    if metres >= 1:
        return f"{metres:.2f} m"
    millimetres = f"{1000 * metres:.{0 if metres >= 0.1 else 1}f}"
    return f"{millimetres.removesuffix('.0')} mm"
