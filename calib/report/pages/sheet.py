"""The job sheet: one page of values to enter, old beside new, in the reader's units, to be signed.

On a telephone, a screen and paper; the long report stands behind it.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import partial

from calib.document.record import Decision, ResultRecord
from calib.judge.gates import CHECK_SHOTS, OFFSET
from calib.report.blocks import (
    ACROSS,
    COLUMN,
    Items,
    Name,
    Picture,
    Section,
    Signature,
    Table,
    mm,
    words,
)
from calib.report.figures import views
from calib.report.figures.style import drawings
from calib.report.pages.decision import answers
from calib.report.pages.entries import Write, to_enter, writer
from calib.report.pages.report import foot
from calib.report.pages.values import contradicted
from calib.report.press.html import page
from calib.report.press.pdf import report_pdf
from calib.report.words.cautions import CAUTIONS
from calib.report.words.job import below_title
from calib.report.words.requirement import tape_can_be_judged
from calib.report.words.status import left_out, not_to_enter
from calib.solved_machine import rig_and_parameters


def sheet_files(document: ResultRecord, lengths: str = "mm", angles: str = "deg",
                length_decimals: int | None = None, angle_decimals: int | None = None
                ) -> dict[str, bytes]:
    """Name to content of the sheet as a page and as PDF.

    Parameters
    ----------
    document : dict
        Of result.json.
    lengths, angles : str
        A key of `calib.report.pages.sheet_units.LENGTHS` and `ANGLES`.
    """
    write = writer(lengths, angles, length_decimals, angle_decimals)
    title = f"Job sheet: {document.job.machine or document.rig.title}"
    subtitle, warning = left_out(document), not_to_enter(document)
    screen, paper = (sheet_sections(document, write, picture) for picture in (_SCREEN, _PAPER))
    return {
        "sheet.html": page(
            "report.html.j2", document, title, subtitle, screen, contents=False, cls="sheet",
            warning=warning, foot=foot(document), job=below_title(document)).encode("utf-8"),
        "sheet.pdf": report_pdf(title, subtitle, paper, drawings(document, paper), tight=True,
                                warning=warning, foot=foot(document), job=below_title(document)),
    }


def sheet_sections(document: ResultRecord, write: Write,
                   picture: Callable[[int], Picture]) -> list[Section]:
    """Answers, values old and new, drawings, lengths to check by hand, cautions, signature.

    `picture` makes the picture of the signs of so many quantities.
    """
    rig, listed = rig_and_parameters(document)[0], to_enter(document, write)
    signs = () if document.entries is not None else (picture(len(views.shown_names(document))),)
    of_marks = {name for names in rig.marks.values() for name in names}

    def lines(records):
        return [[Name(q.name, q.means), *write(q.value, q.sd, q.unit)] for q in records]

    tape_first = () if document.to_tape is None else (document.to_tape,)
    checks = lines((*tape_first, *(d for d in document.derived if d.unit == "m")))
    marks = lines([*(p for p in document.parameters
                     if p.name in of_marks and p.status != "held"),
                   *(d for d in document.derived if d.unit == "deg")])
    columns, decision = ("quantity", "value", "sd", "unit"), document.decision
    found = "A tape on the machine must find these within twice the sd and its own error"
    by_hand = "Check by hand" + " before trusting them" * (decision is Decision.NOT_YET)
    if decision is Decision.DO_NOT:
        by_hand = "Lengths as solved, not to be trusted"
        found = "As solved"
    sections = [
        Section("decision", "Decision", (
            answers(document), *_tape_again(document), _before_and_after(document))),
        replace(listed, blocks=(*listed.blocks, *signs)),
        Section("marks", "Marks and antennas, for what places the machine by them", (
            Table("Where they are in the frame of their member, and bearings at joints zero",
                  columns, marks, wide=(0,)),)) if marks else None,
        Section("by-hand", by_hand, (Table(found, columns, checks, wide=(0,)),)
                ) if checks else None,
        Section("before", "Before anyone goes to the machine", (
            Items(tuple(("", words(c)) for c in CAUTIONS)),
            Signature(("checked by", "date") if not_to_enter(document) else
                      ("entered by", "checked by", "date")))),
    ]
    return [s for s in sections if s is not None]


def _tape_again(document):
    """Taped values that all else contradicts."""
    if document.taped is None or not tape_can_be_judged(document):
        return ()
    says = contradicted(document.taped)
    return (Items(tuple(("tape again", words(f"{one}.")) for one in says)),) if says else ()


def _before_and_after(document):
    """What the edge was off by, what it is known to now, and what the check shots say."""
    goal, taped = document.goal, document.taped
    before = ("not known: nothing was taped",) if taped is None else (
        "off by ", mm(taped.edge.summary.worst, 0), " mm at worst with the old values"
        + (f" there are ({len(taped.not_taped)} missing, taken as solved)"
           if taped.not_taped else "")) if (
        tape_can_be_judged(document)) else ("what the old values cost cannot be judged",)
    entries = document.entries
    listed = () if entries is None or not entries.off else (
        " and off by ", mm(entries.off), " mm for the list")
    after = ("known nowhere",) if goal.within95 is None else (
        "by its sds alone known to ", mm(goal.within95), " mm (95 %, worst) with the new ones") if (
        document.decision is not Decision.ENTER) else (
        "known to ", mm(goal.within95), " mm (95 %, worst) with the new ones", *listed)
    gates = [g for g in document.verdict.gates if g.name in (CHECK_SHOTS, OFFSET)]
    check = " ".join(g.says for g in sorted(gates, key=lambda g: g.passed)) or (
        "There are no check shots: nothing outside the solution vouches for it.")
    edge = ("edge before and after" if document.decision is Decision.ENTER
            else "edge, not to be trusted")
    return Items((
        (edge, words(*before, ", ", *after, ", ", mm(goal.edge, 0), " mm required.")),
        ("check" if all(g.passed for g in gates) else "check failed", words(check))))


def _signs(draw, height):
    return lambda count: Picture(
        "signs", "Which way is positive (dashed: as solved; solid: value larger)",
        "For every quantity a small drawing: dashed the rig as solved, solid the same readings "
        "with that quantity larger, an arrow at the edge.", draw, height(count))


_SCREEN = _signs(views.signs, lambda count: (
    COLUMN, 0.4 + 1.02 * -(-count // views.SIGN_COLUMNS)))
_PAPER = _signs(partial(views.signs, columns=7, gap=(0.08, 0.24)), lambda count: (
    ACROSS, 0.32 + 0.64 * -(-count // 7)))
