"""The contents of the report, section by section, from the document of result.json alone."""

from collections.abc import Sequence
from dataclasses import dataclass

from calib.document.record import ResultRecord
from calib.report.blocks import (
    ACROSS,
    COLUMN,
    Items,
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
from calib.report.figures import edge_maps, residuals, statistics, views
from calib.report.numbers import SHOWN
from calib.report.pages.comparison import edge_sentence, shares_table
from calib.report.pages.glossary import glossary
from calib.report.pages.provenance import provenance
from calib.report.words.cautions import CAUTIONS
from calib.report.words.gate import HELD_OUT_NOT_JUDGED
from calib.report.words.requirement import three_sentences
from calib.report.words.status import left_out, mark

#: Tables of shots and readings show at most so many rows: all suspects, then the worst.
MOST_ROWS = 120

#: A map whose cells differ by less than this share is told in a sentence.
FLAT = 0.1


@dataclass(frozen=True)
class NamedPosture:
    """A posture that somebody asked for: its joints, deg, and the edge's sd there, m."""

    joints: dict[str, float]
    sd: float | None


def contents(document: ResultRecord, named: Sequence[NamedPosture] = ()) -> list[Section]:
    """All sections of the report, in order; `named` are postures that were asked for."""
    sections = [verdict(document), to_enter(document)]
    if document.taped is not None:
        sections.append(taped(document))
    return [*sections, edge_now(document, named), misfits(document), plots(document),
            identifiability(document), check_shots(document), cautions(), provenance(document),
            glossary()]


def verdict(document) -> Section:
    """The answer in a sentence, the reasons, and the numbers that it rests on."""
    said = document.verdict
    gates = tuple(
        ("passed" if gate.passed else "FAILED", words(f"{gate.name}: {gate.says}"))
        for gate in sorted(said.gates, key=lambda gate: gate.passed)
    )
    aside = left_out(document)
    return Section("verdict", "Decision", (
        answers(document), *((Text(words(aside), "lead"),) if aside else ()),
        Items(gates), *(Text(words(note)) for note in said.notes),
        Text(words(said.shared_by), "note"), *_key_numbers(document),
        Text(words("This is a statement about numbers, not about anybody's safety. The cautions "
                   "are further down."), "note"),
    ))


def answers(document: ResultRecord) -> Items:
    """The three sentences that stand on top everywhere."""
    return Items(tuple((a.answer, a.parts) for a in three_sentences(document)), leading=True)


def _key_numbers(document):
    edge = document.edge.summary
    rows = [["edge known to, from the calibration alone, readings exact (1 sd, mm)",
             mm(edge.worst), mm(edge.p95), mm(edge.rms)],
            ["the same at 95 %, to be held against the goal (mm)",
             mm(document.goal.within95), "", ""],
            ["the goal (95 %, mm)", mm(document.goal.edge), "", ""]]
    if document.taped is not None:
        error = document.taped.edge.summary
        rows.append(["edge error if the taped values were entered (mm)",
                     mm(error.worst), mm(error.p95), mm(error.rms)])
    table = Table("The cutting edge over the working envelope",
                  ("what", "worst", "95 % of it below", "rms"), rows, wide=(0,))
    fit = document.fit
    parts = ["The fit: ", fixed(fit.observations, 0), " observations, ",
             fixed(fit.unknowns, 0), " unknowns, ", fixed(fit.dof, 0),
             " degrees of freedom. Shots miss by ", mm(fit.rms_3d_miss),
             " mm (rms, 3-D) at the readings as they were (misses), and by ",
             mm(fit.rms_3d), " mm once the readings are corrected (residuals)."]
    if fit.variance_factor is not None:
        parts += [" Variance factor ", fixed(fit.variance_factor, 2), "."]
    return table, Text(words(*parts))


def to_enter(document) -> Section:
    """Every quantity with unit, sd and meaning, the drawings, and what to check by hand."""
    rows = []
    for p in document.parameters:
        label, factor = SHOWN[p.unit]
        value, sd, decimals = value_cells(p.value, p.sd, p.unit)
        rows.append([p.name, label, value, sd, fixed(p.low95, decimals, factor),
                     fixed(p.high95, decimals, factor), p.status, p.means])
    scale = document.fit.variance_factor
    scaled = () if not scale else (Text(words(
        "The sds take the stated sds of shots, readings and tape at their word. If the misfit "
        "were to be shared out over everything instead, all of them would be multiplied by the "
        "root of the variance factor ", fixed(scale, 2), "."), "note"),)
    table = Table(
        "Solved values. Lengths in mm, angles in deg; positive as the last column says.",
        ("quantity", "unit", "value", "sd", "95 % from", "95 % to", "status", "means"), rows,
        [p.status == "tape only" for p in document.parameters], wide=(7,),
    )
    return Section("enter", "What to enter", (
        table, *bootstrap_blocks(document), *scaled,
        Picture("dimensions", "The solved dimensions on the rig (± one sd)",
                "Line drawing of the rig made from its chain: the machine from its right side, "
                "the attachment from the side, from behind and from above, each dimension named "
                "with its solved value and sd.", views.dimensions, (ACROSS, 5.6)),
        Picture("signs", "Which way is positive",
                "For every quantity a small drawing: dashed the rig as solved, solid the same "
                "readings with that quantity larger, an arrow at the edge from one to the other.",
                views.signs, (ACROSS, 5.6)),
        *_derived(document),
    ))


def _derived(document):
    if not document.derived:
        return ()
    rows = {"m": [], "deg": []}
    for d in document.derived:
        value, sd, _ = value_cells(d.value, d.sd, d.unit)
        rows[d.unit].append([d.name, value, sd, d.means])
    angles = (Table("Angles computed from them (deg)", ("angle", "value", "sd", "means"),
                    rows["deg"], wide=(3,)),) if rows["deg"] else ()
    if not rows["m"]:
        return angles
    return (*angles,
            Table("To be checked with a tape before the values are trusted (mm)",
                  ("length", "value", "sd", "means"), rows["m"], wide=(3,)),
            Text(words("Before anyone tapes: " + " ".join(CAUTIONS[:2]))))


def taped(document) -> Section:
    """Each taped value tested, and what the taped set-up does at the edge."""
    record = document.taped
    rows = []
    for row in record.rows:
        label, factor = SHOWN[row.unit]
        solved, _, decimals = value_cells(row.solved, row.solved_sd or None, row.unit)
        rows.append([
            row.quantity, label, fixed(row.tape, decimals, factor),
            fixed(row.tape_sd, decimals, factor), solved,
            fixed(row.difference, decimals, factor, True),
            fixed(row.without, decimals, factor), fixed(row.without_sd, decimals, factor),
            fixed(row.z, 1, 1.0, True), _significance(row),
        ])
    marked = [row.significant for row in record.rows]
    table = Table(
        "Taped against solved. Lengths in mm, angles in deg.",
        ("quantity", "unit", "tape", "tape sd", "solved", "solved less tape",
         "solved without this tape", "its sd", "in sds", "verdict"), rows, marked,
    )
    joint = record.joint
    together = () if not joint.dof else (Text(words(
        "All taped values together: chi-square ", fixed(joint.chi2, 1), " with ",
        fixed(joint.dof, 0), " degrees of freedom; by chance alone above ",
        fixed(joint.limit, 1), " once in a hundred times.")),)
    return Section("taped", "Taped against solved", (
        *_edge_cost(document), table,
        Text(words("Where the tape took part in the solution, the test is that of a solution "
                   "without that one value: the two do not share it. A difference is called more "
                   "than chance beyond ", fixed(record.limit, 2), " sds of the difference."),
             "note"),
        *together,
        Picture("pulls", "Tape pulls",
                f"Test value of each of the {len(rows)} taped quantities with the critical values "
                "as dashed lines; significant ones are open diamonds.",
                statistics.tape_pulls, (COLUMN, 0.9 + 0.18 * len(rows))),
        Picture("taped-error", "Edge error of the taped set-up",
                "One map per reach of the edge error in mm over the swept joints, all on one "
                "scale; each cell carries its number.", edge_maps.taped_error,
                _map_size(document)),
        Picture("shares", "What causes the taped edge error",
                "Bars: the edge error each taped quantity would cause alone, with its share of "
                "the whole in per cent.", edge_maps.taped_shares, (COLUMN, 2.9)),
    ))


def _significance(row):
    if row.z is None:
        return "not tested"
    return "more than chance" if row.significant else "agrees"


def _edge_cost(document):
    edge = document.taped.edge
    note = () if not document.taped.not_taped else (Text(words(
        "Not taped, and taken as solved here: ", ", ".join(document.taped.not_taped), "."),
        "note"),)
    doubt = () if document.verdict.passed else (Text(words(
        "This result failed a gate: what is wrong with it is in these differences too. Judge the "
        "tape by a result that passes."), "lead"),)
    return *doubt, edge_sentence(edge, "Entering the taped values"), *note, shares_table(edge)


def _map_size(document):
    return (COLUMN, 0.8 + 1.55 * len(document.edge.reaches))


def edge_now(document, named=()) -> Section:
    """How well the edge is known over the envelope and at the poses."""
    poses = [[p.pose, p.stand, mm(p.edge_sd)] for p in document.poses]
    extra = () if not named else (Table(
        "Edge sd at the postures asked for (mm)", ("posture", "edge sd"),
        [[_posture_words(row.joints), mm(row.sd)] for row in named], wide=(0,)),)
    return Section("edge", "How good the edge is now", (
        Text(words("Predicted standard deviation of the edge from the calibration alone; the "
                   "readings count as exact. Machine, positioning and operator come on top.")),
        *extra,
        _edge_map(document),
        Table("Edge sd at the poses of readings.csv (mm)", ("pose", "stand", "edge sd"),
              poses[:MOST_ROWS], total=len(poses)),
    ))


def _edge_map(document):
    """A map of the edge sd; a sentence where its cells are all alike."""
    cells = [sd for reach in document.edge.sd for sd in reach if sd is not None]
    low, high = min(cells, default=0.0), max(cells, default=0.0)
    if high - low < FLAT * high:
        return Text(words("Over the whole working envelope the edge sd is between ", mm(low),
                          " and ", mm(high), " mm: nowhere clearly better or worse."))
    return Picture("edge-sd", "Predicted edge sd over the working envelope",
                   "One map per reach of the edge sd in mm over the swept joints, all on one "
                   "scale; each cell carries its number.", edge_maps.edge_sd, _map_size(document))


def _posture_words(joints):
    return ", ".join(f"{name} {angle:g} deg" for name, angle in joints.items())


def misfits(document) -> Section:
    """Suspects and what was set aside first, then shots and readings, the worst first."""
    suspects = [("suspect" if s.beyond_chance else "flagged, perhaps chance", words(s.says))
                for s in document.suspects]
    aside = [("set aside", words(f"{s.name}: {s.reason}"))
             for s in document.set_aside.values]
    noise = [("noise", words(n.says)) for n in document.noise or [] if n.differs]
    trends = [("trend", words(t.says)) for t in document.trends if t.significant]
    rows = tuple(aside + suspects + noise + trends)
    said = Items(rows) if rows else Text(words("Nothing is suspect."))
    return Section("misfits", "What did not fit", (
        said, *_without(document), _shot_table(document), _reading_table(document)))


def _without(document):
    """What leaving out does: set aside already, or the suspects still taking part."""
    effect = document.set_aside.effect
    caption = "What setting aside did. Lengths in mm, angles in deg."
    if effect is None and document.without_suspects is not None:
        effect = document.without_suspects.parameters
        caption = "What leaving the suspects out would do. Lengths in mm, angles in deg."
    if effect is None:
        return ()
    rows = []
    for e in effect:
        label, factor = SHOWN[e.unit]
        without, sd, decimals = value_cells(e.without, e.sd_without, e.unit)
        rows.append([e.name, label, fixed(e.with_, decimals, factor), without, sd,
                     fixed(e.in_sd, 1, 1.0, True)])
    return (Table(caption, ("quantity", "unit", "with", "without", "sd without",
                            "difference in sds"), rows),)


def _shot_table(document):
    shots = _worst_first(document.shots, document)
    rows = [[
        s.shot, s.pose, s.target,
        *(mm(m, 1, True) for m in s.miss.numbers),
        mm(s.components.along, 1, True), mm(s.components.across, 1, True),
        fixed(s.w, 1, 1.0, True), fixed(s.redundancy, 2), mm(s.detectable, 0),
        mark(s, document),
    ] for s in shots]
    return Table(
        "Shots, the worst first: misses at the readings as they were (mm)",
        ("shot", "pose", "target", "east", "north", "up", "along", "across", "w",
         "redundancy", "detectable", ""), rows,
        [mark(s, document) == "suspect" for s in shots], total=len(document.shots))


def _reading_table(document):
    readings = _worst_first(document.readings, document)
    rows = [[r.pose, r.reading, fixed(r.correction, 3, 1.0, True),
             fixed(r.w, 1, 1.0, True), fixed(r.redundancy, 2), fixed(r.detectable, 2),
             mark(r, document)] for r in readings]
    return Table(
        "Readings, the worst first: what the solution adds to each "
        f"({' or '.join(sorted({r.unit for r in readings}))})",
        ("pose", "reading", "correction", "w", "redundancy", "detectable", ""), rows,
        [mark(r, document) == "suspect" for r in readings], total=len(document.readings))


def _worst_first(records, document):
    order = ("suspect", "flagged", "")
    ordered = sorted(records, key=lambda r: (order.index(mark(r, document)), -abs(r.w or 0.0)))
    return ordered[:MOST_ROWS]


def plots(document) -> Section:
    """The figures that a reviewer expects."""
    readings = len({r.reading for r in document.readings})
    joints = len(document.reading_names)
    return Section("plots", "Residual plots", (
        Text(words("A miss is measured less computed at the readings as they were. Suspect and "
                   "flagged shots are open diamonds and carry their id.")),
        Picture("by-order", "Misses by shot and pose order",
                "Three panels, along and across the boom plane and up: misses in mm in the order "
                "of the shots, to show drift.", residuals.by_order, (COLUMN, 4.4)),
        Picture("by-component", "Misses by component",
                "Two panels of misses in mm: east, north, up and along, across, up, with their "
                "rms as bars.", residuals.by_component, (COLUMN, 3.6)),
        Picture("plan-side", "Misses in plan and from the side",
                "Shots at their place ahead of the boom foot, with misses as arrows; the factor "
                "of exaggeration is stated in the title; very long arrows are cut.",
                residuals.plan_and_side, (COLUMN, 5.4)),
        Picture("by-joint", "Misses against reach and joint angles",
                "Small panels, a row per variable and a column per component: misses in mm "
                "against reach and every joint angle, with a line of means.",
                residuals.by_reach_and_joint, (COLUMN, 0.9 + 0.86 * (joints + 1))),
        Picture("normal", "Distribution of w",
                "Histogram of the standardised residuals with the normal curve, and their normal "
                "probability plot.", statistics.normal, (COLUMN, 2.5)),
        Picture("redundancy", "Redundancy and w",
                "Redundancy number of each shot coordinate against its standardised residual, "
                "critical values dashed.", statistics.redundancy_and_w, (COLUMN, 2.7)),
        Picture("corrections", "Corrections to the readings",
                "One panel per sensor: corrections in deg in the order of the poses, stated sd "
                "dashed.", residuals.corrections, (COLUMN, 0.8 + 1.15 * ((readings + 1) // 2))),
    ))


def identifiability(document) -> Section:
    """What the shots can tell and what they cannot."""
    weak = tuple(("weak", words(w.says)) for w in document.weak)
    said = Items(weak) if weak else Text(words(
        "The shots determine every free quantity by themselves."))
    condition = document.fit.condition
    parts = () if condition is None else (Text(words(
        "Condition number of the scaled design without the tape: ", fixed(condition, 0),
        " (1 is ideal; thousands mean that some quantities can hardly be told apart).")),)
    rows = [[c.first, c.second, fixed(c.correlation, 2, 1.0, True)]
            for c in document.correlations]
    pairs = Table("Strong correlations between quantities", ("first", "second", "correlation"),
                  rows) if rows else Text(words("No two quantities are strongly correlated."))
    n = sum(p.status != "held" for p in document.parameters)
    return Section("identifiability", "What the shots can tell", (
        said, *parts, pairs,
        Picture("correlation", "Correlation of the quantities",
                "Matrix of the correlations of the estimated quantities; strong ones are written "
                "in tenths.", statistics.correlation, (COLUMN, 1.9 + 0.17 * n)),
        Picture("influence", "Influence of the shots on the edge",
                "Bars: how far the least detectable error of a shot would move the edge in mm, "
                "the largest first.", statistics.influence, (COLUMN, 3.4)),
    ))


def check_shots(document) -> Section:
    """Shots that took no part, and the hold-out if there is one."""
    blocks = []
    check = document.check
    if check is None:
        blocks.append(Text(words("The run has no check shots: nothing outside the solution vouches "
                                 "for it.")))
    else:
        blocks += _check_blocks(check)
    held = document.held_out
    if held is not None and held.passed is None:
        blocks.append(Text(words(HELD_OUT_NOT_JUDGED)))
    elif held is not None:
        blocks.append(Text(words(
            "Held-out poses: solved ", fixed(held.folds, 0), " times without a part of the "
            "poses, the solution predicts the ", fixed(held.count, 0), " shots left out to ",
            mm(held.rms_3d), " mm rms where ", mm(held.predicted_rms_3d),
            " mm are expected, ", mm(held.max_3d), " mm at worst.")))
    return Section("check", "Check shots and held-out poses", tuple(blocks))


def _check_blocks(check):
    rows = [[s.shot, s.pose, s.target,
             *(mm(m, 1, True) for m in s.miss.numbers),
             *(mm(sd) for sd in s.sd.numbers),
             fixed(s.chi2, 1)] for s in check.shots]
    word = "within" if check.passed else "NOT within"
    return [
        Text(words(fixed(check.count, 0), " shots that took no part are predicted to ",
                   mm(check.max_3d), " mm at worst and ", mm(check.rms_3d),
                   f" mm rms, {word} the tolerance of ", mm(check.tolerance, 0), " mm.")),
        Picture("check-shots", "Check shots",
                "3-D miss of each check shot in mm as a point, its predicted sd as a box, the "
                "tolerance dashed.", statistics.check_shots, (COLUMN, 2.9)),
        Table("Check shots: measured less predicted, and the predicted sds (mm)",
              ("shot", "pose", "target", "east", "north", "up", "sd east", "sd north", "sd up",
               "chi-square of 3"), rows[:MOST_ROWS], total=len(rows)),
    ]


def cautions() -> Section:
    """Before anyone goes back to the machine."""
    return Section("cautions", "Cautions", (Items(tuple(("", words(c)) for c in CAUTIONS)),))
