"""Two set-ups compared: results or tapes, quantity by quantity and at the edge."""

from dataclasses import dataclass

import numpy as np

from calib.adjust.distributions import chi2_isf, normal_isf
from calib.chain.circle import differences
from calib.document.compared import ComparedRow, Comparison, Together
from calib.document.edge import SetupError, TapedRow
from calib.edge import envelope_edge
from calib.judge.common import difference, difference_covariance, shared_shots
from calib.judge.goal import required
from calib.judge.same_model import model_differences, structure_differences
from calib.judge.survey import Survey, same_rows
from calib.judge.tape import TAPE_LEVEL, chi_square, tape_test
from calib.report.blocks import (
    COLUMN,
    Block,
    Items,
    Name,
    Picture,
    Section,
    Table,
    Text,
    fixed,
    mm,
    words,
)
from calib.report.evidence import edge_enough, not_taped, setup_error_record, taped_parameters
from calib.report.figures import edge_maps
from calib.report.numbers import SHOWN, unit_factor
from calib.report.spoken import spoken
from calib.report.words.model import difference_says, in_common_says
from calib.report.words.requirement import ORIGIN, keeps, with_taped, worst_of

#: A difference beyond so many of its sds is called more than chance (two-sided 1 %).
LIMIT = float(normal_isf(TAPE_LEVEL / 2))


@dataclass(frozen=True)
class Side:
    """One of the two: a survey, or a tape (`calib.run.records.Tape`)."""

    name: str
    survey: Survey | None = None
    warning: str = ""  #: Why its values are not to be entered; empty where they are.
    tape: object = None


def comparison(first: Side, second: Side) -> Comparison:
    """The document of a comparison; differences are second less first, m and deg."""
    missing: list[str] = []
    if first.survey and second.survey:
        rows, edge, notes, together = _two_surveys(first.survey, second.survey)
    elif first.survey or second.survey:
        rows, edge, notes, together, missing = _with_tape(first, second)
    else:
        rows, edge, notes, together = _two_tapes(first, second)
    machine = first.survey or second.survey
    barred = [f"The {which}: {side.warning}" for which, side in
              (("first", first), ("second", second)) if side.warning]
    goal, origin = (None, None) if machine is None else required(machine.rig)
    good_enough = None if edge is None or goal is None or missing else edge_enough(edge, goal)
    if barred and good_enough:  # of one that is not to be entered nothing is
        good_enough = None
    return Comparison(
        schema_=1,
        first=first.name,
        second=second.name,
        level=TAPE_LEVEL,
        limit=LIMIT,
        rows=rows,
        together=together,
        edge=edge,
        edge_of="first" if second.survey and not first.survey else "second",
        goal=goal,
        goal_source="" if origin is None else ORIGIN[origin],
        not_to_enter=barred,
        good_enough=good_enough,
        not_taped=missing,
        notes=notes,
    )


def _row(quantity, unit, first, second, sd, **taped):
    """A row from SI values; sd None or NaN where the difference cannot be tested.

    `taped` is what a row with a tape says besides.
    """
    f = unit_factor(unit)
    difference = differences(second[0], first[0], unit)
    tested = sd is not None and np.isfinite(sd) and sd > 0
    z = difference / sd if tested else None
    return ComparedRow.made(
        quantity=quantity, unit=unit, first=f * first[0], first_sd=f * first[1],
        second=f * second[0], second_sd=f * second[1], difference=f * difference,
        difference_sd=f * sd if tested else None, z=z,
        significant=bool(z is not None and abs(z) > LIMIT), **taped)


def _two_surveys(a, b):
    names = [n for n in a.rig.parameter_names if n in b.rig.parameter_names]
    notes, models = [], model_differences(a, b)
    covariance = difference_covariance(a, b, names)
    if models:
        unlike = "; ".join(difference_says(d, "the first", "the second") for d in models)
        notes.append(f"They are of different models, no quantity is tested: {unlike}.")
    count = shared_shots(a, b)
    if count:
        notes.append(f"Both come from the same shots ({count} of them): their difference has no "
                     "sd of its own and is not tested.")
    else:
        notes += in_common_says(a, b, "the first", "the second")
    if models or count:
        covariance = None
    sd = [None] * len(names) if covariance is None else np.sqrt(np.diag(covariance))
    own = [dict(zip(r.rig.parameter_names, zip(r.parameters, np.sqrt(np.diag(r.covariance)),
                                               strict=True), strict=True)) for r in (a, b)]
    units = dict(zip(names, a.units(names), strict=True))
    rows = [_row(n, units[n], own[0][n], own[1][n], s)
            for n, s in zip(names, sd, strict=True)]
    only = set(a.rig.parameter_names) ^ set(b.rig.parameter_names)
    if only:
        notes.append(f"Only one of them has {', '.join(map(spoken, sorted(only)))}.")
    together = covariance if covariance is None else _together(difference(a, b, names), covariance)
    return rows, setups_edge(a, b), notes, together


def setups_edge(machine: Survey, entered: Survey) -> SetupError | None:
    """What the edge is off by with one result's values entered where the other's are right.

    The sd is that of the difference of the two; none where that is not known. None where the
    edge of one does not exist in the other.
    """
    nodes = envelope_edge(machine.rig, machine.parameters)
    alike = not structure_differences(machine, entered) and (
        machine.rig.parameter_names == entered.rig.parameter_names)
    covariance = None
    if alike and not shared_shots(machine, entered):
        covariance = difference_covariance(machine, entered, machine.rig.parameter_names)
    try:
        return setup_error_record(nodes, covariance, entered.parameters,
                                  None if alike else entered.rig)
    except ValueError:
        return None


def _together(change, covariance):
    """Chi-square of all differences together and its limit; None with nothing to test."""
    told = np.diag(covariance) > 0
    statistic, dof = chi_square(change[told], covariance[np.ix_(told, told)])
    if not dof:
        return None
    limit = float(chi2_isf(TAPE_LEVEL, dof))
    return Together.made(chi2=statistic, dof=dof, limit=limit, significant=bool(statistic > limit))


def _with_tape(first, second):
    survey = first.survey or second.survey
    tape = second.tape if first.survey else first.tape
    rig, used = survey.rig, same_rows(tape, survey.tape)
    test = tape_test(rig, survey.parameters, survey.covariance, tape, used)
    units = {q.name: q.unit for q in (*rig.parameters, *rig.derived)}
    rows = []
    for i, quantity in enumerate(tape.quantities):
        older, newer = (test.solved[i], test.solved_sd[i]), (test.tape[i], test.tape_sd[i])
        if first.survey is None:
            older, newer = newer, older
        f = unit_factor(units[quantity])
        rows.append(_row(
            quantity, units[quantity], older, newer,
            test.difference_sd[i], prior=bool(test.used[i]), without=f * test.without[i],
            without_sd=f * test.without_sd[i]))
    notes = []
    if test.used.any():
        notes.append("The tape took part in the solution: each value is tested against what the "
                     "solution says without it.")
    missing = not_taped(rig, tape)
    if missing:
        notes.append("Not taped, and taken as solved at the edge: "
                     f"{', '.join(map(spoken, missing))}.")
    nodes = envelope_edge(rig, survey.parameters)
    edge = setup_error_record(nodes, survey.covariance,
                              taped_parameters(rig, survey.parameters, tape))
    together = None if not test.dof else Together.like(
        test, chi2=test.joint, limit=test.joint_limit,
        significant=bool(test.joint > test.joint_limit))
    return rows, edge, notes, together, missing


def _two_tapes(first, second):
    a, b = first.tape, second.tape
    common = [q for q in a.quantities if q in b.quantities]
    rows = []
    for quantity in common:
        i, j = a.quantities.index(quantity), b.quantities.index(quantity)
        rows.append(_row(quantity, a.si_units[i], (a.value[i], a.sd[i]), (b.value[j], b.sd[j]),
                         float(np.hypot(a.sd[i], b.sd[j]))))
    notes = ["Both are tapes: without a result there is no machine to carry the difference to "
             "the edge."]
    only = set(a.quantities) ^ set(b.quantities)
    if only:
        notes.append(f"Only one of them has {', '.join(map(spoken, sorted(only)))}.")
    return rows, None, notes, None


def comparison_sections(document: Comparison) -> list[Section]:
    """What a person reads of a comparison."""
    rows = document.rows
    blocks: list[Block] = [Items((
        ("first", words(document.first)), ("second", words(document.second))))]
    if document.edge is not None:
        start = (with_taped(document.edge, document.not_taped) if document.not_taped else
                 f"With the values of the {document.edge_of} entered where those of the "
                 f"{document.other} are right")
        told: list[Block] = [edge_sentence(document.edge, start)]
        if document.goal is not None and not (document.not_to_enter
                                              and document.good_enough is None):
            kept = keeps(document, document.goal)
            told.append(Items(((kept.answer, kept.parts),), leading=True))
        blocks = told + blocks
    if document.not_to_enter:
        blocks.insert(0, Items(tuple(("NO", words(w)) for w in document.not_to_enter), True))
    blocks.append(Text(words(*_quantities_say(document)), "lead"))
    if document.notes:
        blocks.append(Items(tuple(("", words(n)) for n in document.notes)))
    blocks.append(_rows_table(document, rows))
    blocks.append(Text(words("A difference is called more than chance beyond ",
                             fixed(document.limit, 2), " of its sds."), "note"))
    if document.edge is not None:
        blocks += edge_blocks(document.edge)
    return [Section("comparison", "Two set-ups", tuple(blocks))]


def _quantities_say(document):
    """What the tests of the quantities come to, one by one and together: parts of a sentence."""
    bad = [r.quantity for r in document.rows if r.significant]
    if bad:
        return (f"Quantities that differ by more than chance: {', '.join(map(spoken, bad))}.",)
    if all(r.z is None for r in document.rows):
        return ("No quantity can be tested.",)
    together = document.together
    if together is not None and together.significant:
        return ("No single quantity differs by more than chance, but all of them together do "
                "(chi-square ", fixed(together.chi2, 1), ", limit ",
                fixed(together.limit, 1), ").")
    if document.edge is None:
        return ("No quantity differs by more than chance.",)
    return ("Quantity by quantity they agree within their sds; what these differences add up to at "
            "the edge stands above.",)


def _rows_table(document, rows):
    cells = []
    for r in rows:
        label, f = SHOWN[r.unit]
        d = 1 if label == "mm" else 3
        cells.append([
            Name(r.quantity), label, fixed(r.first, d, f), fixed(r.second, d, f),
            fixed(r.difference, d, f, True), fixed(r.difference_sd, d, f),
            fixed(r.z, 1, 1.0, True), significance(r)])
    return Table(
        "Quantity by quantity; the difference is second less first. Lengths in mm, angles in deg.",
        ("quantity", "unit", "first", "second", "second less first", "sd of it", "in sds",
         "verdict"),
        cells, [r.significant for r in rows])


def significance(row: ComparedRow | TapedRow) -> str:
    """What the test of a difference comes to."""
    if row.z is None:
        return "not tested"
    return "more than chance" if row.significant else "agrees"


def edge_sentence(edge: SetupError, start: str) -> Text:
    """What a set-up costs at the edge, in a sentence."""
    summary = edge.summary
    return Text(words(
        f"{start}, ", *worst_of(edge), "; ", mm(summary.rms, 0), " mm rms, and below ",
        mm(summary.p95, 0), " mm over 95 % of the envelope."), "lead")


def shares_table(edge: SetupError) -> Table:
    """What causes an edge error."""
    return Table(
        "Causes of the edge error (first order; negative shares compensate others)",
        ("quantity", "alone, mm rms", "share, %"),
        [[Name(s.name), mm(s.alone), fixed(s.share, 0, 100.0)] for s in edge.shares], folded=True)


def edge_blocks(edge: SetupError) -> list:
    """Causes and maps of an edge error."""
    error = [
        Picture("edge-error", "Edge error over the working envelope",
                "One map or line per reach of the edge error in mm over the swept joints, all on "
                "one scale; each cell of a map carries its number.",
                lambda figure, _: edge_maps.setup_error(figure, edge),
                (COLUMN, edge_maps.height(edge))),
    ]
    if not edge.shares:
        return error
    return [
        shares_table(edge),
        *error,
        Picture("edge-causes", "What causes the edge error",
                "Bars: the edge error each quantity would cause alone, with its share of the "
                "whole in per cent.",
                lambda figure, _: edge_maps.setup_shares(figure, edge), (COLUMN, 2.9)),
    ]
