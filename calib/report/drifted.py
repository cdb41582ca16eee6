"""The drift of a rig between two results, as a document and in words."""

import numpy as np

from calib.adjust.congruency import LEVEL
from calib.edge import envelope_edge
from calib.judge.drift import Drift, Survey
from calib.report.blocks import SHOWN, Items, Section, Table, Text, fixed, value_cells, words
from calib.report.comparison import edge_blocks, edge_sentence
from calib.report.evidence import setup_error_record
from calib.report.numbers import number, unit_factor
from calib.report.summary import value_and_sd

#: A difference of more sds is remarked upon where the search gave up or a result failed its gates.
_DIFFERS = 3.0


def drift_document(older: Survey, newer: Survey, found: Drift) -> dict:
    """What a drift test found, m and deg."""
    test = found.congruency
    parameters = {p.name: p for p in newer.rig.parameters}
    sds = np.sqrt(np.diag(test.change_covariance))
    moved = []
    for name, change, sd, step in zip(found.moved_names, test.change, sds, test.moved, strict=True):
        p = parameters[name]
        f = unit_factor(p.unit)
        moved.append({
            "name": name, "unit": p.unit, "change": number(f * change), "sd": number(f * sd),
            "statistic": number(step.statistic), "limit": number(step.limit),
            "says": _moved_words(p, f * change, f * sd),
        })
    return {
        "schema": 1,
        "older": older.identity,
        "newer": newer.identity,
        "level": LEVEL,
        "test": {
            "statistic": number(test.statistic), "limit": number(test.limit),
            "rank": test.rank, "dof": test.dof, "p_value": number(test.p_value),
            "omega": number(test.omega), "pooled_variance_factor": number(test.pooled),
            "congruent": test.congruent, "same_precision": found.same_precision,
            "rest_statistic": number(test.rest_statistic), "rest_limit": number(test.rest_limit),
        },
        "moved": moved,
        "failed_gates": {"older": list(older.failed), "newer": list(newer.failed)},
        "doubt": _doubt(older, newer, found),
        "rows": _rows(older, newer, found),
        "left_out": list(found.left_out),
        "edge": _edge(older, newer),
        "says": _says(moved, test),
    }


def _moved_words(parameter, change, sd):
    label, factor = SHOWN[parameter.unit]
    size, spread = value_and_sd(abs(change), sd, factor)
    way = "larger" if change > 0 else "smaller"
    worn = (" An edge that wears does this."
            if parameter.name.endswith(("edge_drop", "edge_reach")) and change < 0 else "")
    return (f"{parameter.name} ({parameter.means}) is {size} {label} ± {spread} {way} than "
            f"before.{worn}")


def _says(moved, test):
    if test.congruent:
        return "Nothing has moved beyond chance."
    if not moved:
        return "Something has moved, but no single quantity explains it."
    if len(moved) == 1:
        return moved[0]["says"]
    return f"Moved beyond chance: {', '.join(m['name'] for m in moved)}."


def _doubt(older, newer, found):
    """What stands first where the two results are no sound pair; None if they are."""
    failed = [f"the {which} result failed {' and '.join(survey.failed)}"
              for which, survey in (("older", older), ("newer", newer)) if survey.failed]
    if found.more_moved:
        reason = "These are probably two machines, or a result failed its gates: "
        reason += ("; ".join(failed) if failed else "neither did, so look whether it is the same "
                   "machine and attachment")
        return f"More has moved than the quantities named below. {reason}."
    if failed and not found.congruency.congruent:
        said = "; ".join(failed)
        return (f"{said[0].upper()}{said[1:]}: what seems to have moved may be its mistake. Mend "
                "that result first.")
    if failed:
        return f"{failed[0][0].upper()}{'; '.join(failed)[1:]}: do not rest anything on this test."
    return None


def _mark(name, z, found, doubtful):
    """What stands at the end of a row; a large difference is never passed over in silence."""
    if name in found.moved_names:
        return "moved"
    return "differs" if doubtful and z is not None and abs(z) > _DIFFERS else ""


def _rows(older, newer, found):
    units = {p.name: p.unit for p in newer.rig.parameters}
    old = dict(zip(older.rig.parameter_names, older.parameters, strict=True))
    doubtful = found.more_moved or bool(older.failed or newer.failed)
    rows = []
    for name, difference, sd in zip(found.names, found.difference, found.difference_sd,
                                    strict=True):
        f = unit_factor(units[name])
        rows.append({
            "name": name, "unit": units[name], "older": number(f * old[name]),
            "newer": number(f * (old[name] + difference)), "difference": number(f * difference),
            "sd": number(f * sd), "z": number(difference / sd) if sd > 0 else None,
            "moved": name in found.moved_names,
            "mark": _mark(name, difference / sd if sd > 0 else None, found, doubtful),
        })
    return rows


def _edge(older, newer):
    """What going on with the older values would do at the edge now."""
    nodes = envelope_edge(newer.rig, newer.parameters)
    old = dict(zip(older.rig.parameter_names, older.parameters, strict=True))
    other = np.array([old.get(n, v) for n, v in zip(newer.rig.parameter_names, newer.parameters,
                                                    strict=True)])
    covariance = newer.covariance
    if older.rig.parameter_names == newer.rig.parameter_names:
        covariance = covariance + older.covariance
    return setup_error_record(nodes, covariance, other)


def drift_sections(document: dict) -> list[Section]:
    """What a person reads of a drift test."""
    test = document["test"]
    moved = document["moved"]
    items = [("moved", words(m["says"])) for m in moved] if len(moved) > 1 else []
    if not test["same_precision"]:
        items.append(("note", words("The two runs fit themselves differently well: look at their "
                                    "own reports before trusting this test.")))
    if document["left_out"]:
        items.append(("note", words("Estimated in only one of the results and not compared: "
                                    + ", ".join(document["left_out"]) + ".")))
    differ = [r["name"] for r in document["rows"] if r["mark"] == "differs"]
    if differ:
        items.append(("note", words("Not named as moved, but "
                                    f"more than {_DIFFERS:.0f} sds apart: {', '.join(differ)}.")))
    rows = []
    for r in document["rows"]:
        label, factor = SHOWN[r["unit"]]
        newer, sd, decimals = value_cells(r["newer"], r["sd"], r["unit"])
        rows.append([r["name"], label, fixed(r["older"], decimals, factor), newer,
                     fixed(r["difference"], decimals, factor, True), sd,
                     fixed(r["z"], 1, 1.0, True), r["mark"]])
    doubt = document["doubt"]
    blocks = [
        *([Text(words(doubt), "lead")] if doubt else []),
        Text(words(document["says"]), "lead"),
        *([Items(tuple(items))] if items else []),
        Text(words("Congruency test of what the shots of both say, the tape left out: F ",
                   fixed(test["statistic"], 2), ", critical ", fixed(test["limit"], 2), " at ",
                   fixed(document["level"], 0, 100.0), " % (", fixed(test["rank"], 0), " and ",
                   fixed(test["dof"], 0), " degrees of freedom, pooled variance factor ",
                   fixed(test["pooled_variance_factor"], 2), ").")),
        edge_sentence(document["edge"], "Going on with the older values"),
        Table("Newer less older as they were solved, tape included. Lengths in mm, angles in "
              "deg.", ("quantity", "unit", "older", "newer", "difference", "sd of it", "in sds",
                       ""), rows, [bool(r["mark"]) for r in document["rows"]]),
        *edge_blocks(document["edge"]),
    ]
    return [Section("drift", "What has moved", tuple(blocks))]
