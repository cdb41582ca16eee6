"""A diagnosis as a document and as text: what is wrong, the evidence, the edit to make."""

from collections.abc import Sequence

import numpy as np

from calib.document.diagnosed import Applied, Diagnosis, Explained, FitsAsWell, OddValue
from calib.document.explored import Adopted
from calib.judge.explain import Explanation
from calib.judge.hypotheses import Tried
from calib.report.spoken import spoken_values
from calib.report.words.cautions import CAUTIONS
from calib.report.words.mistake import mistake_says, told
from calib.report.words.plausible import machine_says, plausible_says
from calib.report.words.suspect import suspect_says

#: How many explanations are listed.
LISTED = 8

#: What no run of this kind can show, and what would.
NOT_SEEN = (
    "A wrong prism constant, or a target held beside the corner: the edge comes out that much "
    "longer or lower. Two shots of one point with different prisms, or a taped pin_to_edge, show "
    "it.",
    "A sticker, mark or prism that is not at the point it stands for, alike in every pose. A tape "
    "from the mark to the point shows it.",
    "A scale of the whole survey (projection, atmosphere), where no long length is taped. A taped "
    "boom_length and stick_length show it, or a measured distance between two known points.",
    "A pole height left on in every shot of a stand: it only lifts the stand, and changes no "
    "dimension. A shot of a known height shows it.",
    "A zero, a length or a sign that is wrong from the first pose to the last, where nothing is "
    "taped: it is solved for as it is. The tape shows it.",
    "The sign of the house pitch where the boom has an inclinometer of its own: next to nothing "
    "depends on it. Parking nose up shows it on the display.",
    "International against US survey feet near the origin: they differ by 2 mm per km. The data "
    "collector's setting shows it.",
)


def diagnosis_document(found: Explanation, next_commands: Sequence[str] = (),
                       applied: Applied | None = None) -> Diagnosis:
    """What `calib diagnose` prints.

    Parameters
    ----------
    next_commands : sequence of str
        What to type next, with the paths of this run.
    applied : Applied, optional
        The corrected copy that was written.
    """
    return Diagnosis(
        says=_says(found),
        fits=found.fits,
        looked_at=found.looked_at,
        as_it_is=_ranked(found.as_it_is, found),
        mistake=None if found.claimed is None else _ranked(found.claimed, found),
        part=None if found.part is None else _ranked(found.part, found),
        fits_as_well=[] if found.plausible is None else [
            FitsAsWell(says=machine_says(other, found.plausible.rig), tells=other.would_tell)
            for other in found.plausible.untold],
        cannot_be_told_from=[_ranked(r, found) for r in found.rivals],
        explanations=[_ranked(r, found) for r in found.ranked[:LISTED]],
        suspects=[] if found.suspects is None else [
            OddValue.like(s, says=suspect_says(s, found.suspects.solution))
            for s in found.suspects.beyond_chance],
        criterion="Schwarz (1978) with prior odds; differences above 10 are very strong "
        "(Kass and Raftery 1995). A cause leaves a run that passes the global test at 0.001.",
        not_seen=list(NOT_SEEN),
        next=list(next_commands),
        cautions=list(CAUTIONS),
        applied=applied,
    )


def diagnosis_text(document: Diagnosis) -> str:
    """For the terminal; at most 100 columns are not promised for long ids."""
    lines = [document.says]
    best = document.mistake or document.part
    if best is not None:
        lines += ["", f"Evidence: {_evidence(document.as_it_is, best)}", f"Edit: {best.edit}"]
    if document.cannot_be_told_from:
        lines += ["", "These shots cannot tell it from:"]
        lines += [f"- {rival.says} Edit: {rival.edit}" for rival in document.cannot_be_told_from]
    if document.suspects:
        lines += ["", "Values that do not fit the others as the run is:"]
        lines += [f"- {suspect.says}" for suspect in document.suspects]
    if not document.fits:
        lines += ["", f"{document.looked_at} explanations were tried. The run was not changed."]
    lines += ["", "What no shot of such a run can show, and what would:"]
    lines += [f"- {line}" for line in document.not_seen]
    if document.next:
        lines += ["", "Next:", *(f"  {command}" for command in document.next)]
    if not document.fits:
        lines += ["", "Before anyone goes back to the machine:"]
        lines += [f"- {caution}" for caution in document.cautions]
    return "\n".join(lines) + "\n" + _applied_text(document.applied)


def _applied_text(applied):
    """What a corrected copy was written, and what it does; empty if none was."""
    return "" if applied is None else "\n".join([
        "", f"A corrected copy is in {applied.folder}; the comments in it say what was changed.",
        *before_and_after(applied, 27, 16), ""])


def before_and_after(copy: Applied | Adopted, name: int, was: int) -> list[str]:
    """What a run and a changed copy of it come to, in columns of so many characters."""
    both = [("no solution" if of.variance_factor is None else f"{of.variance_factor:.2f}",
             "not known" if of.edge_sd is None else f"{1000 * of.edge_sd:.1f} mm",
             "yes" if of.passed else "no") for of in (copy.before, copy.after)]
    return [f"  {what:{name}s}{before:>{was}s}  ->  {after}" for what, before, after in zip(
        ("variance factor", "worst sd of the edge", "every gate passed"), *both, strict=True)]


def _says(found):
    if found.plausible is not None and found.plausible.untold:
        return f"The run fits as it is. {plausible_says(found.plausible)}"
    if found.fits:
        return ("The run fits: shots, readings and tape agree within their stated sds, no value "
                "is out by more than chance, and no test of a single systematic fault finds one. "
                "There is no mistake to look for.")
    if found.single_values is not None:
        wrong = told(found.single_values.mistake.fact)
        return (f"{wrong.says.rstrip('.')}; without them the run fits "
                f"({_times(found.single_values.variance_factor)} its stated sds). {wrong.edit}")
    if found.claimed is not None:
        says = mistake_says(found.claimed.mistake.fact)
        if found.rivals:
            count = len(found.rivals)
            says += " (Or {} that the shots cannot tell from it.)".format(
                "another explanation" if count == 1 else f"one of {count} explanations")
        return says
    if found.part is not None:
        left = _times(found.part.variance_factor)
        return (f"More than one thing is wrong, and no explanation here leaves a run that fits. A "
                f"part of it: {mistake_says(found.part.mistake.fact)} The rest ({left} the stated "
                "sds) is something this tool does not know.")
    if found.as_it_is.dof <= 0:
        return ("Nothing is left over to check the fit with, so no mistake can be told: shoot more "
                "poses.")
    if found.as_it_is.passes and not found.systematic:
        names = spoken_values((s.name for s in found.suspects.beyond_chance),
                              found.suspects.solution.rig.reading_names)
        return (f"The run fits as a whole, but {names} is further out than the worst value of 95 "
                "in 100 clean runs. Nothing else is wrong that is known here: look at it again.")
    if found.as_it_is.passes:
        return ("The run fits as a whole, but something systematic is in it that is something "
                "this tool does not know. The nearest test: "
                f"{found.systematic[0].added.family}.")
    return ("The run does not fit, and the reason is something this tool does not know: no mistake "
            "of the kinds known here, nor two of them, leaves a run that fits. The stated sds may "
            "be too small, or the machine differs from the rig: calib explore asks whether it "
            "bends, slips or runs out of true.")


def _evidence(before, after):
    was, now = _times(before.variance_factor), _times(after.variance_factor)
    return (f"shots, readings and tape disagree by {was} their stated sds as the run is, and by "
            f"{now} after the edit.")


def _times(factor):
    if factor is None or not np.isfinite(factor):
        return "more than can be computed of"
    times = np.sqrt(factor)
    return f"{times:.1f} times" if times < 10 else f"{times:.0f} times"


def _ranked(ranked: Tried, found: Explanation) -> Explained:
    mistake = ranked.mistake
    words = None if mistake is None else told(mistake.fact)
    return Explained.like(
        ranked, says="The run as it is, taken for sound." if words is None else words.says,
        edit=None if words is None else words.edit,
        family=None if mistake is None else mistake.family,
        behind=ranked.score - found.ranked[0].score)
