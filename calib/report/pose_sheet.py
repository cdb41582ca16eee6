"""The pose sheet: what a crew takes to the machine, as a page and as a PDF."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from calib.document.planned import PlanRecord
from calib.report.blocks import COLUMN, Block, Items, Picture, Section, Text, words
from calib.report.figures.poses import Frame, from_behind, from_the_side, plan_curve
from calib.report.figures.style import drawings, short
from calib.report.plan_words import DECIMALS, edge_span
from calib.report.press.html import page
from calib.report.press.pdf import block_record, pdf
from calib.report.spoken import spoken
from calib.report.words.cautions import CAUTIONS
from calib.report.words.job import fingerprint_words, job_words

#: Poses on a printed page at most; as many on each as there must be.
POSES_PER_PAGE = 6

#: Letters on a line of the head of a printed page.
_LINE = 170

#: Size of the curve, inches.
_CURVE = (COLUMN, 2.6)

#: First of it, where the house stays as it is and where it is swung.
_ORDER = {False: "the house is not swung", True: "the house is swung as the sheet says"}

_HOW = (
    "Drive the poses in this order, stand by stand. Within a stand the tracks stay still and {}. "
    "Edge up: the lowest and the highest corner above the ground.",
    "Bring the readings that the operator drives into their ranges, the nearer to the target the "
    "better. Room comes first: leave a pose out rather than squeeze into it.",
    "Machine stopped, hydraulics locked: write down every reading as the display shows it, also "
    "those that are read only, and tick the box.",
    "Shoot every target that is named for the pose, tick its box and write down the point's id.",
    "Type what was written down into readings.csv; plan.csv has its columns and the poses. A pose "
    "or a corner that could not be had is left out, and calib next says what to shoot instead.",
)


@dataclass(frozen=True)
class Sheet:
    """All that both forms of the sheet show."""

    title: str
    subtitle: str
    #: A row per pose. `edge_height` is that of the edge's corners above the ground, m, `book` what
    #: is written down besides shots, `cells` the `target` of each reading and what is `still_fine`.
    pages: list[list[dict[str, Any]]]
    readings: Sequence[str]
    #: side, behind: Of all drawings of a view.
    side: Frame
    behind: Frame
    ground: float  #: Height of the ground in the drawings from the side, m.
    cautions: Sequence[str] = CAUTIONS


def sheet_files(document: PlanRecord) -> dict[str, bytes]:
    """Name to content of both forms, from the document of a plan alone (see `plan_record`)."""
    sheet, sections = sheet_of(document), sections_of(document)
    pictures = drawings(document, sections)
    html = page("pose_sheet.html.j2", document, sheet.title, sheet.subtitle, sections,
                pictures=pictures, sheet=sheet)
    return {
        "pose-sheet.html": html.encode("utf-8"),
        "pose-sheet.pdf": pdf("pose_sheet.typ", _on_paper(sheet, sections), pictures),
    }


def _on_paper(sheet, sections):
    """What the template of the printed sheet shows."""
    blocks = [block_record(b) for b in sections[0].blocks]
    lines = -(-len(sheet.cautions) // 2) + len(sheet.subtitle) // _LINE
    return {
        **asdict(sheet),
        "pages": [[_row_on_paper(row) for row in rows] for rows in sheet.pages],
        "head-height": 14 + 4.1 * lines,
        "picture": next((b for b in blocks if b["kind"] == "picture"), None),
        "sections": [{"title": s.title, "blocks": [block_record(b) for b in s.blocks]}
                     for s in sections],
    }


def _row_on_paper(row):
    return {**row, "pose": short(row["pose"], 6), "stand": short(row["stand"], 9), **{
        view: {part: getattr(row[view], part).tolist() for part in ("arm", "edge", "body")}
        for view in ("side", "behind")}}


def sheet_of(document: PlanRecord) -> Sheet:
    """The rows of the sheet, page by page."""
    drawn = [pose.drawing for pose in document.poses]
    sides, behinds = from_the_side(drawn), from_behind(drawn)
    rows, before, units = [], None, {r.name: r.unit for r in document.readings}
    for pose, side, behind in zip(document.poses, sides, behinds, strict=True):
        rows.append({
            "pose": pose.pose, "stand": pose.stand, "new_stand": pose.stand != before,
            "edge_height": edge_span(pose), "shoot": pose.shoot, "side": side, "behind": behind,
            "book": ["readings", *(f"{spoken(name)} {word}" for name, word in pose.noted.items())],
            "cells": [dict(zip(("target", "still_fine"), _cell(
                value, pose.tolerance[name], units[name]), strict=True))
                      for name, value in pose.readings.items()]})
        before = pose.stand
    count, stands = len(rows), len(document.stands)
    ground, size = -document.site.foot_height, -(-count // -(-count // POSES_PER_PAGE))
    return Sheet(
        title="Pose sheet",
        subtitle=f"{_job(document)}{document.rig.title}: {count} "
        f"{'pose' if count == 1 else 'poses'}, "
        f"{stands} {'stand' if stands == 1 else 'stands'}. Made with calib {document.calib}.",
        pages=[rows[i : i + size] for i in range(0, count, size)],
        readings=[f"{spoken(name)}, {unit}" for name, unit in units.items()],
        side=Frame.of(sides, ground),
        behind=Frame.of(behinds),
        ground=ground,
    )


def _job(document):
    """The job, and what ties the sheet to its plan.json; what is not there is left out."""
    digits = fingerprint_words(document)
    told = ", ".join(filter(None, (job_words(document.job), digits and f"plan {digits}")))
    return told and f"{told}. "


def _cell(target, tolerance, unit):
    """The target of a reading and the range that is still fine, in words."""
    if tolerance is None:
        return "", "read only"
    low, high, decimals = target - tolerance[0], target + tolerance[1], DECIMALS[unit]
    if high - low < 2:
        near = "as near as you can" if high == low else _range(low, high, decimals)
        return _shown(target, decimals), near
    # Rounded inwards: what is printed is never looser than what was computed.
    low, high = np.ceil(low - 1e-6), np.floor(high + 1e-6)
    return _shown(np.clip(round(target), low, high), 0), _range(low, high, 0)


def _range(low, high, decimals):
    """From low to high, as a display that goes from -180 to 180 shows it."""
    over = " over 180" if high > 180 else " over -180" if low < -180 else ""
    return f"{_shown(low, decimals)} to {_shown(high, decimals)}{over}"


def _shown(value, decimals):
    value -= 360.0 * np.sign(value) if abs(value) > 180 else 0.0
    return f"{value:z.{decimals}f}"


def sections_of(document: PlanRecord) -> list[Section]:
    """What comes before the poses: what the plan gives, how it is used, what it assumes."""
    first, *others = document.says
    gives = (("", words(document.reach)), *map(_marked, others))
    promise: list[Block] = [Text(words(first), "lead"), Items(gives)]
    if document.curve is not None:
        promise.append(Picture(
            "curve", "How many minutes?",
            "What the edge will be known to at 95 %, at worst, against minutes of a plan that "
            "loses or gains pose after pose; the plan of this sheet was bettered as a whole.",
            plan_curve,
            _CURVE))
    return [
        Section("promise", "What this plan will give", tuple(promise)),
        Section("how", "How to use this sheet",
                (Items(tuple(("", words(s)) for s in _how(document))),)),
        Section("assumes", "What it takes for granted",
                (Items(tuple(("", words(s)) for s in document.assumptions)),)),
    ]


def _how(document):
    """How the sheet is used, with what is to be noted of a pose."""
    first, bring, *others = _HOW
    notes = []
    for note in document.notes:
        ground = " and ".join(note.on_ground)
        notes.append(
            f"{note.name.capitalize()}, {note.means}: come to each pose as the sheet says, and "
            f"write its word into the column {note.name} of readings.csv."
            + (f" {ground.capitalize()}: bring the edge down until the ground carries it."
               if ground else ""))
    if document.swings:
        notes.append("Before the house is swung, nobody stands within the swing of the attachment "
                     "or of the counterweight.")
    return [first.format(_ORDER[document.swings]), bring, *notes, *others]


def _marked(sentence):
    """A sentence of the plan, with a mark if it is bad news."""
    if sentence.startswith("WEAK: "):
        return "WEAK", words(sentence.removeprefix("WEAK: "))
    return "missed" if "NOT reached" in sentence else "", words(sentence)
