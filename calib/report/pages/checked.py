"""Check shots against their predictions, as a document and as text."""

import numpy as np

from calib.adjust.distributions import chi2_isf
from calib.calibration import Solution
from calib.document.judged import CheckTold
from calib.document.record import ResultRecord
from calib.judge.gates import ERROR_RATE, OFFSET, at_fault_itself
from calib.judge.shot_checks import Checked, Origin, common_offset
from calib.report.press.terminal import columns, console, text_of
from calib.report.record import check_record
from calib.report.words.cautions import CAUTIONS
from calib.report.words.gate import offset_says
from calib.report.words.requirement import ORIGIN, three_sentences

#: A check shot further out than this share of good ones is marked.
LEVEL = 0.001


def checked_document(solution: Solution, check: Checked, origin: Origin,
                     result: ResultRecord) -> CheckTold:
    """The record of the check with a sentence, whether sds explain the misses, and cautions.

    `result` is what is checked, `solution` the same solved again.
    `passed` needs both: every miss within the tolerance, which is of that origin, and no common
    offset beyond chance. Of the check shots that the result was judged by its own gate says that.
    """
    offset = common_offset(solution, check)
    of_result = solution.run.files.get("check.csv") == result.run.files.get("check.csv")
    alike = next((not gate.passed for gate in result.verdict.gates
                  if of_result and gate.name == OFFSET), offset.chance <= ERROR_RATE)
    record = check_record(solution, check, offset)
    assert record is not None  # there is a check
    within = int(np.sum(check.lengths <= check.tolerance))
    surprising = [shot for shot, statistic in zip(check.shots.ids, check.statistics, strict=True)
                  if statistic > chi2_isf(LEVEL, 3)]
    says = (f"{within} of {record.count} check shots are within "
            f"{1000 * check.tolerance:.0f} mm of their prediction (worst "
            f"{1000 * record.max_3d:.1f} mm, rms {1000 * record.rms_3d:.1f} mm).")
    return CheckTold(**{
        **dict(record),
        "passed": record.passed and not alike,
        "requirement": [str(sentence) for sentence in three_sentences(result)],
        "says": says,
        "tolerance_source": ORIGIN[origin],
        "further_out_than_their_sds_allow": surprising,
        "offset_says": offset_says(not alike, offset, len(check.shots),
                                   not at_fault_itself(result.verdict.failed)),
        "cautions": list(CAUTIONS),
    })


def checked_text(document: CheckTold) -> str:
    """For the terminal."""
    out = console()
    for sentence in (*document.requirement, document.says):
        out.print(sentence)
    out.print(f"Tolerance: {1000 * document.tolerance:.0f} mm on the 3-D miss "
              f"({document.tolerance_source}).")
    table = columns(("shot", "pose", "target", "east mm", "north mm", "up mm", "3-D mm",
                     "predicted sd mm", ""), slice(3, 8))
    for shot in document.shots:
        miss = np.array(shot.miss.numbers, float)
        sd, length = np.linalg.norm(np.array(shot.sd.numbers, float)), np.linalg.norm(miss)
        table.add_row(
            shot.shot, shot.pose, shot.target, *(f"{1000 * m:+.1f}" for m in miss),
            f"{1000 * length:.1f}", f"{1000 * sd:.1f}",
            "OUT" if length > document.tolerance else "")
    out.print(table)
    out.print(document.offset_says)
    odd = document.further_out_than_their_sds_allow
    if odd:
        out.print(f"Further out than their sds allow: {', '.join(odd)}.")
    if not document.passed:
        out.print("Before anyone goes back to the machine:")
        for caution in document.cautions:
            out.print(f"- {caution}")
    return text_of(out)
