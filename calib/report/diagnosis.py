"""A diagnosis as a document and as text: what is wrong, the evidence, the edit to make."""

import numpy as np

from calib.judge.explain import Explanation, Ranked
from calib.report.cautions import CAUTIONS
from calib.report.numbers import number

#: How many explanations are listed.
LISTED = 8


def diagnosis_document(found: Explanation) -> dict:
    """What `calib diagnose --json` prints."""
    return {
        "says": _says(found),
        "fits": found.fits,
        "looked_at": found.looked_at,
        "as_it_is": _ranked(found.as_it_is, found),
        "mistake": None if found.claimed is None else _ranked(found.claimed, found),
        "part": None if found.part is None else _ranked(found.part, found),
        "cannot_be_told_from": [_ranked(r, found) for r in found.rivals],
        "explanations": [_ranked(r, found) for r in found.ranked[:LISTED]],
        "suspects": [] if found.suspects is None else [
            {"name": s.name, "kind": s.kind, "says": s.says, "chance": s.chance}
            for s in found.suspects.beyond_chance
        ],
        "criterion": "Schwarz (1978) with prior odds; differences above 10 are very strong "
        "(Kass and Raftery 1995)",
        "not_seen": list(NOT_SEEN),
        "cautions": list(CAUTIONS),
    }


#: What no run of this kind can show, and why.
NOT_SEEN = (
    "A pole height left on in every shot of a stand: it only lifts the stand, and changes no "
    "dimension.",
    "The sign of the house pitch where the boom has an inclinometer of its own: next to nothing "
    "depends on it.",
    "International against US survey feet near the origin: they differ by 2 mm per km.",
)


def diagnosis_text(document: dict) -> str:
    """For the terminal; at most 100 columns are not promised for long ids."""
    lines = [document["says"]]
    best = document["mistake"]
    if best is not None:
        lines += ["", f"Evidence: {_evidence(document['as_it_is'], best)}",
                  f"Edit: {best['edit']}"]
        if document["cannot_be_told_from"]:
            lines += ["", "These shots cannot tell it from:"]
            lines += [f"- {rival['says']} Edit: {rival['edit']}"
                      for rival in document["cannot_be_told_from"]]
    if document["suspects"]:
        lines += ["", "Values that do not fit the others as the run is:"]
        lines += [f"- {suspect['says']}" for suspect in document["suspects"]]
    if not document["fits"]:
        lines += ["", f"{document['looked_at']} explanations were tried. Nothing was changed. "
                  "What such a run cannot show:"]
        lines += [f"- {line}" for line in document["not_seen"]]
        lines += ["", "Before anyone goes back to the machine:"]
        lines += [f"- {caution}" for caution in document["cautions"]]
    return "\n".join(lines) + "\n"


def _says(found):
    if found.fits:
        return ("The run fits: shots, readings and tape agree within their stated sds, and no "
                "value is out by more than chance. There is no mistake to look for.")
    if found.single_values is not None:
        wrong = found.single_values
        return (f"{wrong.mistake.says.rstrip('.')}; without them the run fits "
                f"({_times({'variance_factor': wrong.variance_factor})} its stated sds). "
                f"{wrong.mistake.edit}")
    if found.claimed is None:
        if found.part is not None:
            return f"More than one thing is wrong; a part of it: {found.part.mistake.says}"
        return "The run does not fit, for a reason that is something this tool does not know."
    return found.claimed.mistake.says


def _evidence(before, after):
    return (f"shots, readings and tape disagree by {_times(before)} their stated sds as the run "
            f"is, and by {_times(after)} after the edit.")


def _times(record):
    factor = record["variance_factor"]
    if factor is None:
        return "more than can be computed of"
    times = np.sqrt(factor)
    return f"{times:.1f} times" if times < 10 else f"{times:.0f} times"


def _ranked(ranked: Ranked, found: Explanation) -> dict:
    mistake = ranked.mistake
    return {
        "says": "Nothing is wrong." if mistake is None else mistake.says,
        "edit": None if mistake is None else mistake.edit,
        "family": None if mistake is None else mistake.family,
        "chi2": number(ranked.chi2),
        "dof": ranked.dof,
        "variance_factor": number(ranked.variance_factor),
        "behind": number(ranked.score - found.ranked[0].score),
    }
