"""What the report begins and ends with: the decision and what it rests on, the job, who signs."""

from calib.adjust.distributions import TIMES_SD
from calib.document.record import Decision, ResultRecord
from calib.judge.gates import EDGE, at_fault_itself
from calib.report.blocks import (
    Cell,
    Items,
    Section,
    Signature,
    Table,
    Text,
    fixed,
    mm,
    words,
)
from calib.report.words.cautions import CAUTIONS
from calib.report.words.job import stated
from calib.report.words.requirement import tape_can_be_judged, three_sentences
from calib.report.words.status import left_out, not_to_enter, stamp

#: From an sd in m to what holds at 95 %, mm.
_MM95 = 1000 * TIMES_SD


def answers(document: ResultRecord) -> Items:
    """The three sentences that stand on top everywhere."""
    return Items(tuple((a.answer, a.parts) for a in three_sentences(document)), leading=True)


def decision(document: ResultRecord) -> Section:
    """The three answers, the gates with those that failed first, and the numbers behind them."""
    said = document.verdict
    doubt = {EDGE} if at_fault_itself(said.failed) else set()
    gates = tuple(
        ("FAILED" if not gate.passed else "in doubt" if gate.name in doubt else "passed",
         words(f"{gate.name}: {gate.says}"))
        for gate in sorted(said.gates, key=lambda gate: gate.passed)
    )
    aside = left_out(document)
    return Section("verdict", "Decision", (
        answers(document), *((Text(words(aside), "lead"),) if aside else ()),
        Items(gates), *(Text(words(note)) for note in said.notes),
        _edge_numbers(document), _fit(document), *_other_machines(document),
        Text(words(said.shared_by), "note"),
        Text(words("This is a statement about numbers, not about anybody's safety. The cautions "
                   "are further down."), "note"),
    ))


def _edge_numbers(document):
    edge, goal = document.edge.summary, document.goal
    rows = [["required of the calibration (readings exact)", mm(goal.edge), ""],
            ["calibration known to (readings exact)" if document.decision is Decision.ENTER else
             "calibration known to by its sds alone, which are in doubt", mm(goal.within95),
             fixed(edge.rms, 1, _MM95)],
            ["in work, the noise of the readings on top", mm(goal.in_use95), ""]]
    if document.entries is not None and document.entries.off:
        rows.append(["the list of what is typed, on top of either", mm(document.entries.off), ""])
    if document.taped is not None and tape_can_be_judged(document):
        error = document.taped.edge.summary
        left = len(document.taped.not_taped)
        some = f", {left} value{'s' * (left > 1)} as solved," if left else ""
        rows.append([f"taped set-up{some} is off by (best estimate)",
                     mm(error.worst), mm(error.rms)])
    return Table("The cutting edge over the working envelope, mm; what is known at 95 %",
                 ("what", "worst", "rms"), rows, wide=(0,))


def _other_machines(document):
    """What the gate of plausibility sums up: folded, for whoever asks."""
    others = document.plausible.equivalents
    rows: list[list[Cell]] = [[other.machine, other.told_by or "nothing"] for other in others]
    return () if not rows else (
        Table("Other machines", ("other machine", "ruled out by"), rows, wide=(0, 1), folded=True,
              marked=[other.told_by is None for other in others]),)


def _fit(document):
    fit = document.fit
    parts = ["The fit: ", fixed(fit.observations, 0), " observations, ",
             fixed(fit.unknowns, 0), " unknowns, ", fixed(fit.dof, 0),
             " degrees of freedom. Shots miss by ", mm(fit.rms_3d_miss),
             " mm (rms, 3-D) at the readings as they were (misses), and by ",
             mm(fit.rms_3d), " mm once the readings are corrected (residuals)."]
    if fit.variance_factor is not None:
        parts += [" Variance factor ", fixed(fit.variance_factor, 2), "."]
    return Text(words(*parts))


def cautions() -> Section:
    """Before anyone goes back to the machine."""
    return Section("cautions", "Cautions", (Items(tuple(("", words(c)) for c in CAUTIONS)),))


def sign_off(document: ResultRecord) -> Section:
    """Whether to enter, and lines to sign."""
    unstated = () if stated(document.job) else (
        Text(words("rig.toml states nothing of the job: see [job] in the README.")),)
    return Section("sign-off", "Sign-off", (
        Text(words(stamp(document), not_to_enter(document) or "To be entered as it is."), "lead"),
        *unstated, Signature(("measured by", "checked by", "entered by, date"
                           if document.decision is Decision.ENTER else "not entered, date")),
        Signature(("accepted / rejected", "reason"))))
