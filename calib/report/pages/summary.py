"""The terminal's summary of a result, made from the document of result.json."""

import numpy as np

from calib.document.record import ResultRecord
from calib.report.judged import judged_lines
from calib.report.numbers import SHOWN, value_and_sd
from calib.report.press.terminal import columns, console, text_of
from calib.report.words.job import job_line
from calib.report.words.requirement import three_sentences
from calib.report.words.status import mark


def summary(document: ResultRecord) -> str:
    """Verdict, parameters, fit and worst shots as plain text, at most 100 columns wide."""
    return verdict_and_parameters(document) + fit_and_shots(document)


def verdict_and_parameters(document: ResultRecord) -> str:
    """What is waited for; the noise of each kind of value needs not be known yet."""
    out = console()
    for sentence in three_sentences(document):
        out.print(str(sentence))
    if line := job_line(document):
        out.print(f"{line[0].upper()}{line[1:]}.")
    for reason in document.verdict.reasons:
        out.print(f"- {reason}")
    out.print(_parameter_table(document.parameters))
    for weak in document.weak:
        out.print(f"Weak: {weak.says}")
    return text_of(out)


def fit_and_shots(document: ResultRecord) -> str:
    """The rest: how the shots fit, what is odd, the worst, and the check shots."""
    out = console()
    out.print(_fit_lines(document.fit))
    for line in judged_lines(document):
        out.print(line)
    out.print(_worst_table(document))
    if document.check is not None:
        out.print(_check_line(document.check))
    return text_of(out)


def _parameter_table(parameters):
    table = columns(("parameter", "unit", "value", "± sd", "tape", "difference", "sds", "status"),
                    slice(2, 7))
    for p in parameters:
        label, factor = SHOWN[p.unit]
        value, sd = value_and_sd(p.value, p.sd, factor)
        decimals = len(value.partition(".")[2])
        tape, difference = (
            "" if number is None else f"{factor * number:.{decimals}f}"
            for number in (p.tape, p.difference)
        )
        z = "" if p.z is None else f"{p.z:+.1f}"
        table.add_row(p.name, label, value, sd, tape, difference, z, p.status)
    return table


def _fit_lines(fit):
    lines = [
        f"Fit: {fit.observations} observations, {fit.unknowns} unknowns, "
        f"{fit.dof} degrees of freedom; "
        f"shots fit to {1000 * fit.rms_3d:.1f} mm once the readings are corrected (residuals); "
        f"at the readings as they were they miss by {1000 * fit.rms_3d_miss:.1f} mm (rms 3-D)."
    ]
    if fit.variance_factor is not None:
        low, high = fit.chi2_low / fit.dof, fit.chi2_high / fit.dof
        lines.append(
            f"Variance factor {fit.variance_factor:.2f}; 95 % of runs with the stated sds "
            f"lie in {low:.2f} to {high:.2f}."
        )
    lines.append("Sds are a-priori: the stated sds of shots, readings and tape at their word.")
    return "\n".join(lines)


def _worst_table(document: ResultRecord, count: int = 5):
    worst = sorted(document.shots, key=lambda s: -abs(s.w or 0.0))
    shown = [s for s in worst if s.suspect]
    shown += [s for s in worst if not s.suspect][: max(0, count - len(shown))]
    table = columns(("shot", "pose", "target", "east", "north", "up", "w", ""), slice(3, 7),
                    "Shots that fit worst (miss at the readings as they were, mm)")
    for s in shown:
        miss = (f"{1000 * m:+.1f}" for m in np.array(s.miss.numbers, float))
        w = "-" if s.w is None else f"{s.w:+.1f}"
        table.add_row(s.shot, s.pose, s.target, *miss, w,
                      mark(s, document).replace("suspect", "SUSPECT"))
    return table


def _check_line(check):
    word = "within" if check.passed else "NOT within"
    return (
        f"Check shots: {check.count}, rms {1000 * check.rms_3d:.1f} mm, worst "
        f"{1000 * check.max_3d:.1f} mm, {word} the tolerance of "
        f"{1000 * check.tolerance:.0f} mm."
    )
