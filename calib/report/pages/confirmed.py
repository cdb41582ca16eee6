"""What a machine's display says of what was typed: as a document, a page and text."""

from collections.abc import Sequence
from textwrap import wrap

import numpy as np

from calib.chain.rig import Rig
from calib.confirm.confirmed import Confirmed
from calib.confirm.proof import Proof
from calib.confirm.slip_search import Tried
from calib.confirm.slips import Sheet
from calib.confirm.telling import TellingPose
from calib.document.confirmed import (
    Confirmation,
    FieldHolds,
    NotSeen,
    PoseToShow,
    ShownPoint,
    Slipped,
)
from calib.document.record import ResultRecord
from calib.entries.listed import entry_values, parameter_list
from calib.entries.typed import rounded
from calib.plan.sight import Site
from calib.report.blocks import (
    Block,
    Cell,
    Items,
    Name,
    Number,
    Section,
    Table,
    Text,
    mm,
    words,
)
from calib.report.entered import entries_of, values_of
from calib.report.words.cautions import CAUTIONS
from calib.report.words.slip import (
    confirmed_says,
    family_says,
    ground_says,
    proof_says,
    readings_say,
    slip_says,
    unseen_says,
)
from calib.solved_machine import rig_and_parameters


def sheet_of(document: ResultRecord) -> Sheet:
    """What was to be typed of a result: its entries, or the rig's own parameters."""
    rig, parameters = rig_and_parameters(document)
    entries = entries_of(document, rig) or parameter_list(rig)
    values, sd, old = values_of(document, rig, entries, parameters)
    return Sheet(entries, rounded(entries, values), rounded(entries, old),
                 rounded(entries, entry_values(entries, rig.start)[0]), sd)


def confirmation(confirmed: Confirmed, next_commands: Sequence[str] = ()) -> Confirmation:
    """What `calib confirm` prints."""
    found, compared = confirmed.found, confirmed.compared
    claimed, off, names = found.claimed, confirmed.differences, compared.rig.target_names
    return Confirmation.like(
        confirmed, says=confirmed_says(confirmed), told95=confirmed.told95 or None,
        chi2=found.as_it_is.chi2, dof=found.as_it_is.dof,
        worst=np.linalg.norm(np.nan_to_num(off), axis=1).max(),
        looked_at=found.looked_at,
        slip=None if claimed is None else _slipped(confirmed, claimed, confirmed.moves),
        cannot_be_told_from=[_slipped(confirmed, r) for r in found.rivals],
        telling=None if confirmed.telling is None else _pose(confirmed.telling, compared.rig),
        not_seen=[
            NotSeen.like(u, says=unseen_says(u, confirmed.sheet),
                         fields=_fields(u.tried, confirmed.sheet),
                         pose=None if u.pose is None else _pose(u.pose, compared.rig))
            for u in confirmed.unseen],
        points=ShownPoint.each(pose=[compared.shown.poses[p] for p in compared.shown.pose],
                               target=[names[t] for t in compared.shown.target],
                               difference=off, within95=confirmed.noise95),
        next=list(next_commands), cautions=list(CAUTIONS))


def _slipped(confirmed: Confirmed, tried: Tried, moves: float | None = None) -> Slipped:
    pose = None if tried.pose is None else confirmed.compared.shown.poses[tried.pose]
    return Slipped.like(
        tried,
        says=slip_says(tried, confirmed.sheet) or f"The display of pose {pose} was copied wrongly.",
        kinds=[family_says(s.family) for s in tried.slips],
        fields=_fields(tried, confirmed.sheet), pose=pose, moves=moves,
        behind=tried.score - confirmed.found.claimed.score
        if confirmed.found.claimed is not None else None)


def _fields(tried: Tried, sheet: Sheet) -> list[FieldHolds]:
    entries = sheet.entries.entries
    return [FieldHolds(field=entries[i].name, unit=entries[i].unit,
                       right=entries[i].text(sheet.right[i]), holds=float(value),
                       off=float(value - sheet.right[i]))
            for i, value in tried.typed.items()]


def _pose(pose: TellingPose, rig: Rig) -> PoseToShow:
    return PoseToShow.like(pose, joints=_degrees(rig, pose.joints),
                           readings=_degrees(rig, pose.readings))


def _degrees(rig, angles):
    return {name: round(float(np.degrees(angle)), 3)
            for name, angle in zip(rig.reading_names, angles, strict=True)}


def confirmed_sections(document: Confirmation, on_site: bool, warning: str) -> list[Section]:
    """The answer, what is in the fields, the differences, cautions where poses are to be shown.

    A `warning` of the result comes first: typed right is not yet right.
    """
    lead: list[Block] = [Items((("NO", words(warning)),), True)] if warning else []
    lead += [Text(words(line), "plain" if i or warning else "lead")
             for i, line in enumerate(document.says)]
    sections = [Section("answer", "What the display says", tuple(lead))]
    if document.slip is not None and document.slip.fields:
        rows: list[list[Cell]] = [
            [f.field, f.right, *_digits(f), f.unit]
            for f in document.slip.fields]
        sections.append(Section("fields", "What is in the fields", (
            Table("Compare each with the sheet",
                  ("field", "right", "holds", "off by", "unit"), rows, wide=(0,)),)))
    axes = ("east", "north", "up") if on_site else ("forward", "left", "up")
    rows = [[p.pose, Name(p.target), *(mm(x, 0, True) for x in p.difference.numbers),
             *(mm(x, 0) for x in p.within95.numbers)] for p in document.points]
    sections.append(Section("points", "Shown against solved", (
        Table("Shown less as it should be, and what noise of the readings and rounding let it be "
              "with 95 %, mm",
              ("pose", "target", *(f"{a} mm" for a in axes), *(f"{a} 95 %" for a in axes)), rows),
    )))
    if not document.agrees:
        sections.append(Section("before", "Cautions", (
            Text(words("Before anyone goes to the machine:")),
            Items(tuple(("", words(c)) for c in document.cautions)),)))
    return sections


def _digits(field: FieldHolds) -> tuple[Number, Number]:
    """What it holds and is off by as it is typed; a decimal more where it cannot be typed so.

    Where a slip is not of digits, it is estimated.
    """
    decimals = len(field.right.partition(".")[2])
    decimals += abs(field.holds - round(field.holds, decimals)) > 1e-9
    return (Number(field.holds, f"{field.holds:z.{decimals}f}"),
            Number(field.off, f"{field.off:+z.{decimals}f}"))


def blank_shown(rig: Rig, found: Proof) -> str:
    """A shown.csv to fill in, with poses that tell most of what was typed."""
    nodes, picked = found.envelope.offered, found.nodes
    targets = [rig.target_names[t] for t in nodes.targets]
    corners = [t for t in targets if "left" in t or "right" in t] or targets
    lines = [*(f"# {line}" for line in wrap(proof_says(found), 90)),
             "# What the machine's own display shows, copied pose by pose at rest. Lengths in m,",
             "# readings in deg. forward, left, up: from the boom foot pin, level; in their place",
             "# east, north, up where the display knows the site (or any fixed point: level axes).",
             "# Leave empty what it does not show. In place of the readings: shot_east,",
             "# shot_north, shot_up of the same points at the same moment, m, in any level",
             "# coordinates; if the machine has moved since the run, in rows of their own also",
             "# of the pins of boom foot, stick and bucket. Before anyone goes near the machine:",
             *(f"# - {caution}" for caution in CAUTIONS),
             "# Drive to about these readings (deg, as in readings.csv; what is not named: 0).",
             "# Where the cab shows none: to where the edge then is, from the boom foot pin.",
             *(f"# {line}" for line in wrap(ground_says(), 90))]
    for i, node in enumerate(picked, 1):
        forward, _, up = nodes.position[node].mean(axis=0)
        low = nodes.position[node, :, 2].min() + Site.foot_height
        lines.append(f"# pose {i}: {readings_say(rig, nodes.readings[node])}; edge about "
                     f"{forward:.1f} m ahead, {abs(up):.1f} m {'above' if up > 0 else 'below'}; "
                     f"its lowest corner {low:.1f} m above the ground")
    lines.append(",".join(("pose", "target", "forward", "left", "up", *rig.reading_names)))
    empty = "," * (2 + len(rig.reading_names))
    lines += [f"{i},{target},{empty}" for i in range(1, len(picked) + 1) for target in corners]
    return "\n".join(lines) + "\n"
