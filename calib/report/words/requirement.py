"""The three sentences before all else: what to enter, what to trust, what the tape is worth.

Everything in them is at 95 %, and is said to be.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from calib.confirm.carried import within95
from calib.document.compared import Comparison
from calib.document.edge import SetupError
from calib.document.entered import Entered, OwnRow
from calib.document.judged import Goal
from calib.document.record import Decision, ResultRecord
from calib.judge.gates import EDGE, GLOBAL_TEST, SUSPECTS
from calib.judge.shot_checks import Origin
from calib.report.blocks import Part, fixed, mm, words
from calib.report.spoken import spoken

#: Where a limit is from.
ORIGIN = {Origin.USER: "stated by the user", Origin.RIG: "rig.toml",
          Origin.GOAL: "the edge that rig.toml requires, with the noise of the readings on top",
          Origin.PRACTICE: "common practice, no source"}

#: Values that a system holds of its own that one sentence names.
_NAMED = 3

YES, YES_BUT, NO, OPEN, NOT_YET = "yes", "yes, but", "NO", "open", "NOT YET"

#: Whether a set-up keeps the requirement; None where that is not known.
_ENOUGH = {True: ("is good enough", YES), False: ("is not good enough", NO),
           None: ("may or may not be good enough", OPEN)}


@dataclass(frozen=True)
class Answer:
    """One of the three: what it answers (`YES`, `YES_BUT`, `NO`, `OPEN`,
    `NOT_YET`), and the sentence."""

    answer: str
    parts: tuple[Part, ...]

    def __str__(self):
        return "".join(map(str, self.parts))


def three_sentences(document: ResultRecord) -> tuple[Answer, Answer, Answer]:
    """Of a result: enter these values, trust the edge to so much, the taped set-up is good enough.

    Each of them or the opposite.
    """
    return enter(document), trust(document), taped_enough(document)


def enter(document: ResultRecord) -> Answer:
    """Whether the values are to be entered."""
    verdict, entries = document.verdict, document.entries
    if document.decision is Decision.ENTER:
        return Answer(YES, ("Enter these values: every gate passed.",))
    if document.decision is Decision.NOT_YET:
        return Answer(NOT_YET, (
            "Do not enter these values yet: every gate passed, but no taped length vouches for the "
            "scale of the survey, and every length may be wrong by the same share. ",
            *what_settles(document)))
    if verdict.passed and entries is not None:
        return Answer(NO, ("Every gate passed, but do not enter this list as it is: ",
                           *_list_lacks(entries), "."))
    failed = ", ".join(verdict.failed)
    shared = f" One error explains what does not fit: {verdict.explained}" if verdict.explained \
        else ""
    return Answer(NO, (f"Do not enter these values as they are. Failed: {failed}.{shared}",))


def what_settles(document: ResultRecord) -> tuple[Part, ...]:
    """What to measure where nothing tells the scale; nothing where something does."""
    longest = document.to_tape
    return () if longest is None else (
        f"Tape the {spoken(longest.name)} (it comes out at {abs(longest.value):.3f} m), write "
        f"it into tape.csv as {longest.name}, and solve again.",)


def _list_lacks(entries: Entered) -> tuple[Part, ...]:
    """Why a list does not make the solved machine of a system."""
    if not entries.complete:
        names = ", ".join(spoken(row.name) for row in entries.left_out)
        return (f"it leaves out what moves the edge ({names})",)
    if entries.off is None:
        return ("no machine has these values as they are rounded",)
    off = words("typed without a slip, the edge is off by ", mm(entries.off), " mm at worst")
    largest = entries.own[0].moves if entries.own else 0.0
    if largest is not None and (entries.rounding or 0.0) > largest:
        coarse = max(entries.rows, key=lambda row: row.rounding or 0.0)
        return (*off, *words(", most of it for rounding: half a step of ", coarse.name,
                             " is worth ", mm(coarse.rounding), " mm. Type it in finer steps ("
                             "round in entries.toml) if the system "
                             "takes them, or know the edge better"))
    own = "; ".join(f"{spoken(o.name)} {held(o)} where {held(o, True)} is solved"
                    for o in entries.own[:_NAMED])
    names = " and ".join(o.name for o in entries.own[:_NAMED])
    return (*off, f" for what the system holds of its own ({own}). Make {names} an [[entry]] of "
            "entries.toml if the system has a field for it; or put right what it holds there and "
            "in [known]")


def held(own: OwnRow, solved: bool = False) -> str:
    """What a system holds, or what is solved in its place, with its unit."""
    value = own.solved if solved else own.held
    return f"{value:.3g} deg" if own.unit == "deg" else f"{1000 * value:.1f} mm"


def trust(document: ResultRecord) -> Answer:
    """What the calibration knows the edge to, of what is required; and what that is in work."""
    answer, in_work, entries = _known(document), document.goal.in_use95, document.entries
    listed = 0.0 if entries is None else entries.off
    noise = () if in_work is None or listed is None else (
        " In work, with the noise of the readings on top, for which nothing is required: ",
        mm(in_work + listed), " mm.")
    return Answer(answer.answer, words(*answer.parts, *noise))


def hides_more(goal: Goal) -> tuple[Part, ...]:
    """What could hide from every test, where it is more than is required; empty where not."""
    return () if goal.hidden is None or goal.hidden <= goal.edge else (
        "But a", *_could_hide(goal), ", more than is required: hold the edge against a few known "
        "points before you rely on it.")


def _could_hide(goal):
    return words("n error that readings or shots share, just too small to be found, could hide up "
                 "to ", mm(goal.hidden), " mm")


def _ends(goal: Goal) -> tuple[Part, ...]:
    """How a sentence ends: with what could hide from every test, where that is more than known."""
    if more := hides_more(goal):
        return (". ", *more)
    if goal.hidden is None or goal.within95 is None or goal.hidden <= goal.within95:
        return (".",)
    return ("; a", *_could_hide(goal), ".")


def _known(document: ResultRecord) -> Answer:
    goal = document.goal
    if goal.within95 is None:
        return Answer(NO, ("Trust the edge to nothing: these sensors can tell it nowhere in the "
                           "envelope, let alone to ", *_required(goal), "."))
    how = words(" (95 %, worst over the envelope, readings exact)")
    known, required = words(mm(goal.within95), " mm"), _required(goal)
    entries = document.entries
    if goal.met and document.verdict.passed and entries is not None and not (
            entries.complete and entries.off == 0.0) and document.decision is not Decision.NOT_YET:
        return _with_the_list(entries, goal, known, required, how)
    if not goal.met:
        return Answer(NO, ("Trust the edge to ", *known, " only, not to ", *required, *how, "."))
    if document.decision is not Decision.ENTER:
        return Answer(NOT_YET if document.verdict.passed else NO, (
            "Do not yet trust the edge to the ", *known, " of ", *required,
            " that its sds promise", *how,
            *(_ends(goal) if document.verdict.passed else (".",))))
    return Answer(_yes(goal), ("Trust the edge to ", *known, " of ", *required, *how, *_ends(goal)))


def _yes(goal):
    return YES_BUT if hides_more(goal) else YES


def _with_the_list(entries, goal, known, required, how):
    """What the edge is trusted to with a list that does not carry all of the machine."""
    if not entries.complete or entries.off is None:
        off = words("; with what is left out as taped it is off by ", mm(entries.off),
                    " mm besides") if entries.off is not None else ()
        return Answer(NO, ("Do not trust the edge to the ", *known, " of ", *required,
                           " with this list: the system then holds values that were not solved",
                           *off, "."))
    total = words(mm(within95(entries.off, goal.within95)), " mm")
    parts = (*known, *how, " and ", mm(entries.off), " mm for the list")
    if entries.enough:
        return Answer(_yes(goal), ("Trust the edge to ", *total, " of ", *required, ": ", *parts,
                                   *_ends(goal)))
    return Answer(NO, ("Trust the edge to ", *total, " only, not to ", *required, ": ", *parts,
                       "."))


def _required(goal: Goal) -> tuple[Part, ...]:
    stated = "" if goal.source == "rig.toml" else f" ({goal.source})"
    return words("the ", mm(goal.edge, 0), f" mm required{stated}")


def taped_enough(document: ResultRecord) -> Answer:
    """Whether the taped set-up would have kept the requirement."""
    taped = document.taped
    if taped is None:
        return Answer(OPEN, ("Nothing was taped: whether a taped set-up is good enough is not "
                             "known.",))
    if not tape_can_be_judged(document):
        return Answer(OPEN, ("The taped set-up cannot be judged by this result: what is wrong with "
                             "it would be blamed on the tape.",))
    word, answer = _ENOUGH[taped.good_enough]
    says = words(f"The taped set-up {word}: ", *worst_of(taped.edge), ".")
    if taped.not_taped:
        answer, says = OPEN, words(
            f"The taped set-up {unjudged(taped.edge, taped.not_taped)} "
            f"{with_taped(taped.edge, taped.not_taped)}, ", *worst_of(taped.edge), ".")
    return Answer(answer, says)


def tape_can_be_judged(document: ResultRecord) -> bool:
    """Whether nothing but what the edge is known to, or taped values alone, is at fault."""
    kinds = {s.kind for s in document.suspects if s.beyond_chance}
    of_tape = {EDGE, SUSPECTS, GLOBAL_TEST} if kinds == {"tape"} else {EDGE}
    return set(document.verdict.failed) <= of_tape


def keeps(document: Comparison, goal: float) -> Answer:
    """Whether a set-up that was compared keeps what the edge must be known to, m."""
    what, source = f"The {document.edge_of} of the two", document.goal_source
    if document.edge is not None and document.not_taped:
        return Answer(OPEN, (f"{what} {unjudged(document.edge, document.not_taped)}",))
    word, answer = _ENOUGH[document.good_enough]
    stated = "" if source == "rig.toml" else f"; {source}"
    return Answer(answer, words(f"{what} {word} for the ", mm(goal, 0),
                                f" mm required (95 %, worst over the envelope{stated})."))


def unjudged(edge: SetupError, missing: Sequence[str]) -> str:
    """Why a set-up cannot be judged of which only some values were taped."""
    named = ", ".join(map(spoken, missing[:_NAMED])) + (
        f" and {len(missing) - _NAMED} more" if len(missing) > _NAMED else "")
    has = "has" if len(missing) == 1 else "have"
    return (f"cannot be judged: {len(missing)} of the {len(missing) + _told(edge)} values that "
            f"move the edge {has} no old value ({named}).")


def with_taped(edge: SetupError, missing: Sequence[str]) -> str:
    """On how many values an edge error rests."""
    told = _told(edge)
    return "With the taped values entered" + (
        f" ({told} of {told + len(missing)}, the others as solved)" if missing else "")


def _told(edge):
    """How many taped values move the edge."""
    return sum(1 for share in edge.shares if share.alone)


def worst_of(edge: SetupError) -> tuple[Part, ...]:
    """How far the edge is off at worst, at 95 %, and where."""
    known = ("no sd",) if edge.worst_sd is None else (
        "95 %: ", mm(edge.worst_low95, 0), " to ", mm(edge.worst_high95, 0), " mm")
    return words("the edge is off by ", mm(edge.summary.worst, 0), " mm at worst (3-D; ", *known,
                 "), at ", *place(edge))


def place(edge: SetupError) -> tuple[Part, ...]:
    """Where an edge error is largest: the point, the reach, the swept joints."""
    at = edge.worst_at
    posture: Sequence[Part | None] = [
        part for axis in edge.axes
        for part in (f", {spoken(axis.reading)} ", fixed(at.joints[axis.reading], 0), " deg")]
    return words(spoken(at.point), f" (reach {at.reach}", *posture, ")")

