"""The values to enter, old beside new, the drawings, and the taped set-up against the solved."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from calib.document.edge import Taped
from calib.document.record import Decision, ResultRecord
from calib.report.blocks import (
    COLUMN,
    Items,
    Name,
    Picture,
    Section,
    Table,
    Text,
    fixed,
    mm,
    value_cells,
    words,
)
from calib.report.bootstrapped import bootstrap_blocks
from calib.report.figures import dimensions, edge_maps, statistics, views
from calib.report.figures import taped as taped_figures
from calib.report.numbers import SHOWN
from calib.report.pages.comparison import edge_sentence, shares_table, significance
from calib.report.pages.entries import to_enter, writer
from calib.report.spoken import spoken
from calib.report.words.cautions import CAUTIONS
from calib.report.words.requirement import tape_can_be_judged, with_taped
from calib.report.words.suspect import tape_says

#: A map whose cells differ by less than this share is told in a sentence.
FLAT = 0.1


@dataclass(frozen=True)
class NamedPosture:
    """A posture that somebody asked for: its joints, deg, and the edge's sd there, m."""

    joints: dict[str, float]
    sd: float | None


def entering(document: ResultRecord) -> Section:
    """Every quantity old and new, the pictures, and what to check by hand."""
    solved_taped = () if document.taped is None else (Picture(
        "solved-against-tape", "Solved against taped",
        "Lengths in mm and angles in deg: what the solution corrects each taped value by, as a "
        "point with a bar of 95 %, on a band of the tape's 95 %.",
        taped_figures.solved_against_taped, (COLUMN, taped_figures.height(document))),)
    count = len(views.shown_names(document))
    listed = to_enter(document, writer())
    return replace(listed, blocks=(
        *listed.blocks, *solved_taped,
        Picture("dimensions", "The solved dimensions on the rig (± one sd)",
                "Line drawing of the rig made from its chain, with numbered dimension lines and a "
                "list of the values: the machine from its right side, the attachment from the "
                "side, from behind and from above.", dimensions.dimensions,
                (COLUMN, dimensions.height(document))),
        Picture("signs", "Which way is positive",
                "For every quantity a small drawing: dashed the rig as solved, solid the same "
                "readings with that quantity larger, an arrow at the edge from one to the other.",
                views.signs, (COLUMN, 0.4 + 1.02 * -(-count // views.SIGN_COLUMNS))),
        *_with_intervals(document), *bootstrap_blocks(document),
        *_sds_scaled(document), *_derived(document),
    ))


def _with_intervals(document):
    rows = []
    for p in document.parameters:
        value, sd, write = value_cells(p.value, p.sd, p.unit)
        rows.append([Name(p.name), value, sd, write(p.low95), write(p.high95), SHOWN[p.unit][0],
                     p.status])
    table = Table("Every value with its 95 % interval", (
        "quantity", "value", "sd", "95 % from", "95 % to", "unit", "status"), rows, folded=True)
    curved = [Name(p.name).words for p in document.parameters if p.interval == "likelihood"]
    return (table,) if not curved else (table, Text(words(
        "Not 1.96 sd either way: ", ", ".join(curved), ". The shots tell it so weakly that what "
        "they show bends within it; its 95 % interval is where chi-square is 3.84 above its "
        "least. Its sd, and what is reckoned from that, is rough."), "note"))


def _sds_scaled(document):
    scale = document.fit.variance_factor
    return () if not scale else (Text(words(
        "The sds take the stated sds of shots, readings and tape at their word. If the misfit "
        "were to be shared out over everything instead, all of them would be multiplied by the "
        "root of the variance factor ", fixed(scale, 2), "."), "note"),)


def _derived(document):
    if not document.derived:
        return ()
    rows: dict[str, list] = {"m": [], "deg": []}
    for d in document.derived:
        value, sd, _ = value_cells(d.value, d.sd, d.unit)
        rows[d.unit].append([Name(d.name, d.means), value, sd])
    angles = (Table("Angles computed from them (deg)", ("angle", "value", "sd"),
                    rows["deg"], wide=(0,)),) if rows["deg"] else ()
    if not rows["m"]:
        return angles
    return (*angles,
            Table("Lengths that a tape can check (mm)"
                  if document.decision is Decision.ENTER else "Lengths as solved (mm)",
                  ("length", "value", "sd"), rows["m"], wide=(0,)),
            Text(words("Before anyone tapes: " + " ".join(CAUTIONS[:2]))))


def taped(document: ResultRecord, record: Taped) -> Section:
    """Each taped value tested, and what the taped set-up does at the edge."""
    joint, tests = record.joint, [r for r in record.rows if r.z is not None]
    together = () if not joint.dof else (Text(words(
        "All taped values together: chi-square ", fixed(joint.chi2, 1), " with ",
        fixed(joint.dof, 0), " degrees of freedom; by chance alone above ",
        fixed(joint.limit, 1), " once in a hundred times.")),)
    apart = tuple(("more than chance", words(f"{says}.")) for says in contradicted(record))
    return Section("taped", "Taped against solved", (
        *_edge_cost(document, record), *((Items(apart),) if apart else ()), *together,
        Picture("pulls", "Tape pulls",
                f"Test value of each of the {len(tests)} taped quantities with the critical "
                "values as dashed lines; significant ones are open diamonds.",
                statistics.tape_pulls, (COLUMN, 0.95 + 0.19 * len(tests))),
        _map(record.edge.error, "taped-error", "Edge error of the taped set-up",
             "edge error", lambda figure, _: edge_maps.setup_error(figure, record.edge), document),
        Picture("shares", "What causes the taped edge error",
                "Bars: the edge error each taped quantity would cause alone, with its share of "
                "the whole in per cent.",
                lambda figure, _: edge_maps.setup_shares(figure, record.edge), (COLUMN, 2.9)),
        _taped_table(record), shares_table(record.edge),
        Text(words("Where the tape took part in the solution, the test is that of a solution "
                   "without that one value: the two do not share it. A difference is called more "
                   "than chance beyond ", fixed(record.limit, 2), " sds of the difference."),
             "note"),
    ))


def contradicted(record: Taped) -> list[str]:
    """What all else says of the taped values that it contradicts."""
    return [tape_says(r.quantity, r.unit, r.tape, r.without, r.z) for r in record.rows
            if r.significant and r.z is not None and r.without is not None]


def _taped_table(record):
    rows = []
    for row in record.rows:
        solved, _, write = value_cells(row.solved, row.solved_sd or None, row.unit)
        rows.append([
            Name(row.quantity), SHOWN[row.unit][0], write(row.tape), write(row.tape_sd), solved,
            write(row.difference, sign=True), write(row.without), write(row.without_sd),
            fixed(row.z, 1, 1.0, True), significance(row)])
    return Table(
        "Taped against solved. Lengths in mm, angles in deg.",
        ("quantity", "unit", "tape", "tape sd", "solved", "solved less tape",
         "solved without this tape", "its sd", "in sds", "verdict"), rows,
        [row.significant for row in record.rows], folded=True)


def _edge_cost(document, record):
    note = () if not record.not_taped else (Text(words(
        "Not taped, and taken as solved here: ", ", ".join(map(spoken, record.not_taped)), "."),
        "note"),)
    cost = edge_sentence(record.edge, with_taped(record.edge, record.not_taped)) if (
        tape_can_be_judged(document)) else Text(words(
            "The tape cannot be judged by this result: what is wrong with it is in these "
            "differences too."), "lead")
    return (cost, *note)


def edge_now(document: ResultRecord, named: Sequence[NamedPosture] = ()) -> Section:
    """How well the edge is known over the envelope, at the poses, and where somebody asked."""
    extra = () if not named else (Table(
        "Edge sd at the postures asked for (mm, 1 sd)", ("posture", "edge sd"),
        [[", ".join(f"{spoken(name)} {angle:g} deg" for name, angle in row.joints.items()),
          mm(row.sd)] for row in named], wide=(0,)),)
    at_poses = [p.edge_sd for p in document.poses if p.edge_sd is not None]
    poses = () if not at_poses else (Text(words(
        "In the poses of this run it is between ", mm(min(at_poses)), " and ", mm(max(at_poses)),
        " mm (1 sd).")),)
    return Section("edge", "How good the edge is now", (
        Text(words("What the edge is known to from the calibration alone, 1 sd; the readings count "
                   "as exact. Machine, positioning and operator come on top.")),
        *extra,
        _map(document.edge.sd, "edge-sd", "Predicted edge sd over the working envelope (1 sd)",
             "edge sd (1 sd)", edge_maps.edge_sd, document),
        *poses,
    ))


def _map(values, name, title, what, draw, document):
    """A map over the envelope; a sentence where its cells are all alike."""
    cells = [cell for reach in values for cell in reach if cell is not None]
    low, high = min(cells, default=0.0), max(cells, default=0.0)
    if high - low < FLAT * high:
        return Text(words(f"Over the whole working envelope the {what} is between ", mm(low),
                          " and ", mm(high), " mm: nowhere clearly better or worse."))
    return Picture(name, title, f"One map or line per reach of the {what} in mm over the swept "
                   "joints, all on one scale; each cell of a map carries its number.", draw,
                   (COLUMN, edge_maps.height(document.edge)))
