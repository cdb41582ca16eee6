"""Two set-ups compared: results or tapes, quantity by quantity and at the edge."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from calib.edge import envelope_edge
from calib.judge.drift import Survey, difference_sd, shared_shots
from calib.judge.tape import TAPE_LEVEL, tape_test
from calib.report.blocks import (
    COLUMN,
    SHOWN,
    Items,
    Picture,
    Section,
    Table,
    Text,
    fixed,
    mm,
    words,
)
from calib.report.evidence import setup_error_record, taped_parameters
from calib.report.figures import edge_maps
from calib.report.numbers import number, unit_factor

#: A difference beyond so many of its sds is called more than chance (two-sided 1 %).
LIMIT = float(norm.isf(TAPE_LEVEL / 2))


@dataclass(frozen=True)
class Side:
    """One of the two: a survey, or a tape (`calib.run.records.Tape`)."""

    name: str
    survey: Survey | None = None
    tape: object = None


def comparison(first: Side, second: Side) -> dict:
    """The document of a comparison; differences are second less first, m and deg."""
    if first.survey and second.survey:
        rows, edge, notes = _two_surveys(first.survey, second.survey)
    elif first.survey or second.survey:
        rows, edge, notes = _with_tape(first, second)
    else:
        rows, edge, notes = _two_tapes(first, second)
    return {
        "schema": 1,
        "first": first.name,
        "second": second.name,
        "level": TAPE_LEVEL,
        "limit": LIMIT,
        "rows": rows,
        "edge": edge,
        "edge_of": "first" if second.survey and not first.survey else "second",
        "notes": notes,
    }


def _row(quantity, unit, first, second, sd):
    """A row from SI values; sd None or NaN where the difference cannot be tested."""
    f = unit_factor(unit)
    difference = second[0] - first[0]
    tested = sd is not None and np.isfinite(sd) and sd > 0
    z = difference / sd if tested else None
    return {
        "quantity": quantity, "unit": unit,
        "first": number(f * first[0]), "first_sd": number(f * first[1]),
        "second": number(f * second[0]), "second_sd": number(f * second[1]),
        "difference": number(f * difference),
        "difference_sd": number(f * sd) if tested else None,
        "z": None if z is None else number(z),
        "significant": bool(tested and abs(z) > LIMIT),
    }


def _two_surveys(a, b):
    names = [n for n in a.rig.parameter_names if n in b.rig.parameter_names]
    notes = []
    sd = difference_sd(a, b, names)
    if shared_shots(a, b):
        notes.append("Both come from the same shots: their difference has no sd of its own and "
                     "is not tested.")
        sd = np.full(len(names), np.nan)
    own = [dict(zip(r.rig.parameter_names, zip(r.parameters, np.sqrt(np.diag(r.covariance)),
                                               strict=True), strict=True)) for r in (a, b)]
    units = {p.name: p.unit for p in a.rig.parameters}
    rows = [_row(n, units[n], own[0][n], own[1][n], s) for n, s in zip(names, sd, strict=True)]
    only = set(a.rig.parameter_names) ^ set(b.rig.parameter_names)
    if only:
        notes.append(f"Only one of them has {', '.join(sorted(only))}.")
    nodes = envelope_edge(a.rig, a.parameters)
    other = np.array([own[1].get(n, own[0][n])[0] for n in a.rig.parameter_names])
    covariance = a.covariance
    if a.rig.parameter_names == b.rig.parameter_names:
        covariance = covariance + b.covariance
    return rows, setup_error_record(nodes, covariance, other), notes


def _with_tape(first, second):
    survey = first.survey or second.survey
    tape = second.tape if first.survey else first.tape
    rig, used = survey.rig, _used(tape, survey.tape)
    test = tape_test(rig, survey.parameters, survey.covariance, tape, used)
    units = {q.name: q.unit for q in (*rig.parameters, *rig.derived)}
    rows = []
    for i, quantity in enumerate(tape.quantities):
        pair = [(test.solved[i], test.solved_sd[i]), (test.tape[i], test.tape_sd[i])]
        row = _row(quantity, units[quantity], *(pair if first.survey else pair[::-1]),
                   test.difference_sd[i])
        f = unit_factor(units[quantity])
        rows.append({**row, "prior": bool(test.used[i]), "without": number(f * test.without[i]),
                     "without_sd": number(f * test.without_sd[i])})
    notes = []
    if test.used.any():
        notes.append("The tape took part in the solution: each value is tested against what the "
                     "solution says without it.")
    left = [p.name for p in rig.parameters if not p.held and p.name not in tape.quantities]
    if left:
        notes.append(f"Not taped, and taken as solved at the edge: {', '.join(left)}.")
    nodes = envelope_edge(rig, survey.parameters)
    edge = setup_error_record(nodes, survey.covariance,
                              taped_parameters(rig, survey.parameters, tape))
    return rows, edge, notes


def _two_tapes(first, second):
    a, b = first.tape, second.tape
    common = [q for q in a.quantities if q in b.quantities]
    rows = []
    for quantity in common:
        i, j = a.quantities.index(quantity), b.quantities.index(quantity)
        unit = "deg" if a.unit[i].casefold() == "deg" else "m"
        rows.append(_row(quantity, unit, (a.value[i], a.sd[i]), (b.value[j], b.sd[j]),
                         float(np.hypot(a.sd[i], b.sd[j]))))
    notes = ["Both are tapes: without a result there is no machine to carry the difference to "
             "the edge."]
    only = set(a.quantities) ^ set(b.quantities)
    if only:
        notes.append(f"Only one of them has {', '.join(sorted(only))}.")
    return rows, None, notes


def _used(tape, prior):
    """Which rows of a tape took part in a solution: the same quantity, value and sd."""
    used = []
    for quantity, value, sd in zip(tape.quantities, tape.value, tape.sd, strict=True):
        i = prior.quantities.index(quantity) if quantity in prior.quantities else None
        used.append(i is not None and bool(
            np.isclose(prior.value[i], value, rtol=0, atol=1e-9)
            and np.isclose(prior.sd[i], sd, rtol=1e-6)))
    return np.array(used, bool)


def comparison_sections(document: dict) -> list[Section]:
    """What a person reads of a comparison."""
    rows, bad = document["rows"], [r for r in document["rows"] if r["significant"]]
    if bad:
        says = "More than chance: " + ", ".join(r["quantity"] for r in bad) + "."
    else:
        says = "No difference is more than chance."
    blocks = [Text(words(says), "lead")]
    if document["edge"] is not None:
        entered = document[document["edge_of"]]
        blocks.append(edge_sentence(document["edge"], f"Entering {entered}"))
    if document["notes"]:
        blocks.append(Items(tuple(("", words(n)) for n in document["notes"])))
    blocks.append(_rows_table(document, rows))
    blocks.append(Text(words("A difference is called more than chance beyond ",
                             fixed(document["limit"], 2), " of its sds."), "note"))
    if document["edge"] is not None:
        blocks += edge_blocks(document["edge"])
    return [Section("comparison", f"{document['first']} and {document['second']}", tuple(blocks))]


def _rows_table(document, rows):
    cells = []
    for r in rows:
        label, f = SHOWN[r["unit"]]
        d = 1 if label == "mm" else 3
        cells.append([
            r["quantity"], label, fixed(r["first"], d, f), fixed(r["second"], d, f),
            fixed(r["difference"], d, f, True), fixed(r["difference_sd"], d, f),
            fixed(r["z"], 1, 1.0, True),
            "not tested" if r["z"] is None else
            "more than chance" if r["significant"] else "agrees",
        ])
    return Table(
        f"First: {document['first']}; second: {document['second']}. Lengths in mm, angles in deg.",
        ("quantity", "unit", "first", "second", "second less first", "sd of it", "in sds",
         "verdict"),
        cells, [r["significant"] for r in rows])


def edge_sentence(edge: dict, start: str) -> Text:
    """What a set-up costs at the edge, in a sentence."""
    summary, at = edge["summary"], edge["worst_at"]
    posture = [part for axis in edge["axes"]
               for part in (f", {axis['reading']} ", fixed(at["joints"][axis["reading"]], 0),
                            " deg")]
    return Text(words(
        f"{start} would put the edge wrong by ", mm(summary["worst"], 0), " ± ",
        mm(edge["worst_sd"], 0), " mm at worst (", at["point"], ", reach ", at["reach"],
        *posture, "), ", mm(summary["rms"], 0), " mm rms and below ", mm(summary["p95"], 0),
        " mm over 95 % of the envelope."), "lead")


def shares_table(edge: dict) -> Table:
    """What causes an edge error."""
    return Table(
        "Causes of the edge error (first order; negative shares compensate others)",
        ("quantity", "alone, mm rms", "share, %"),
        [[s["name"], mm(s["alone"]), fixed(s["share"], 0, 100.0)] for s in edge["shares"]])


def edge_blocks(edge: dict) -> list:
    """Causes and maps of an edge error."""
    height = 0.8 + 1.55 * len(edge["reaches"])
    return [
        shares_table(edge),
        Picture("edge-error", "Edge error over the working envelope",
                "One map per reach of the edge error in mm over the swept joints, all on one "
                "scale; each cell carries its number.",
                lambda figure, _: edge_maps.setup_error(figure, edge), (COLUMN, height)),
        Picture("edge-causes", "What causes the edge error",
                "Bars: the edge error each quantity would cause alone, with its share of the "
                "whole in per cent.",
                lambda figure, _: edge_maps.setup_shares(figure, edge), (COLUMN, 2.9)),
    ]
