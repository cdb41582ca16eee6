"""The drift of a rig between two results, as a document and in words."""

import numpy as np

from calib.adjust.congruency import LEVEL
from calib.document.drifted import CongruencyTest, DriftRecord, DriftRow, FailedGates, Moved
from calib.judge.drift import SURVEY_SCALE, SURVEY_VERTICAL, Drift
from calib.judge.survey import Survey
from calib.report.blocks import Cell, Items, Name, Section, Table, Text, fixed, value_cells, words
from calib.report.numbers import SHOWN, unit_factor, unit_factors, value_and_sd
from calib.report.pages.comparison import edge_blocks, edge_sentence, setups_edge
from calib.report.spoken import spoken
from calib.report.words.model import difference_says, in_common_says, otherwise_says

#: A difference of more sds is remarked upon where nothing, or not everything, could be named.
_DIFFERS = 3.0

#: What a survey changes: unit of the record, factor to it, and what it is put down to.
_SURVEY = {
    SURVEY_SCALE: ("%", 100.0, "All lengths are {size} % (1 sd) {way} than before, all by the same "
                   "share: the scale or the unit of one of the surveys, not the machine."),
    SURVEY_VERTICAL: ("deg", float(np.degrees(1.0)), "All sensors in the boom plane read as if "
                      "tipped by {size} deg (1 sd; {way} than before), all alike: the vertical of "
                      "one of the surveys (level of the instrument, origin of the coordinates), "
                      "not three sensors at once."),
}


def drift_document(older: Survey, newer: Survey, found: Drift) -> DriftRecord:
    """What a drift test found, m and deg."""
    test = found.congruency
    moved = _moved(older, newer, found)
    return DriftRecord(
        schema_=1,
        older=older.identity,
        newer=newer.identity,
        level=LEVEL,
        test=CongruencyTest.like(test, pooled_variance_factor=test.pooled,
                                 same_precision=bool(found.same_precision)),
        passed=passed(older, newer, found),
        models=[difference_says(d) for d in found.models],
        otherwise=None if found.otherwise is None else otherwise_says(found.otherwise),
        moved=moved,
        failed_gates=FailedGates(older=list(older.failed), newer=list(newer.failed)),
        doubt=_doubt(older, newer, found),
        remarks=_remarks(older, newer, found),
        rows=_rows(older, newer, found),
        # What going on with the older values would do at the edge now.
        edge=setups_edge(newer, older),
        says=("What differs is between two machines: nothing can be said to have moved."
              if _two_machines(older, newer)
              else _says(moved, found, older.failed or newer.failed)),
    )


def passed(older: Survey, newer: Survey, found: Drift) -> bool:
    """Whether two sound results of one machine and model differ by nothing beyond chance."""
    return bool(found.congruency.congruent and found.comparable and not older.failed
                and not newer.failed and not _two_machines(older, newer))


def _moved(older, newer, found):
    if not found.comparable or _two_machines(older, newer):
        return []
    test = found.congruency
    parameters = {p.name: p for p in newer.rig.parameters}
    sds = np.sqrt(np.diag(test.change_covariance))
    moved = []
    for name, change, sd, step in zip(found.moved_names, test.change, sds, test.moved, strict=True):
        p = parameters.get(name)
        unit, f = (p.unit, unit_factor(p.unit)) if p else _SURVEY[name][:2]
        others = [found.candidates[j] for j in step.alternatives]
        moved.append(Moved.like(
            step, name=name, unit=unit, change=f * change, sd=f * sd, alternatives=others,
            says=(_moved_words(p, f * change, f * sd, newer.rig) if p
                  else _survey_words(name, f * change, f * sd)) + _or_else(others),
        ))
    return moved


def _or_else(others):
    if not others:
        return ""
    return f" Or it is {' or '.join(map(spoken, others))}: these shots cannot tell."


def _survey_words(name, change, sd):
    size, spread = value_and_sd(abs(change), sd)
    return _SURVEY[name][2].format(size=f"{size} ± {spread}",
                                   way="larger" if change > 0 else "smaller")


def _moved_words(parameter, change, sd, rig):
    label, factor = SHOWN[parameter.unit]
    size, spread = value_and_sd(abs(change), sd, factor)
    way = "larger" if change > 0 else "smaller"
    worn = (" An edge that wears does this."
            if parameter.name.endswith(("edge_drop", "edge_reach")) and change < 0 else "")
    across = any(r.kind == "across" and r.zero == parameter.name for r in rig.readings)
    tipped = (" A survey with its vertical tipped across the boom looks the same."
              if across else "")
    return (f"The {spoken(parameter.name)} ({parameter.means}) is {size} ± {spread} {label} (1 sd) "
            f"{way} than before.{worn}{tipped}")


def _says(moved, found, failed):
    """The verdict. Nothing is blamed between two models, and with failed gates only if."""
    if found.models:
        return ("What differs between them may come from that alone: nothing can be said to have "
                "moved, nor to have stayed. Solve both runs again with the same rig, the same "
                "parameters held and the same values of them, then repeat this.")
    if found.otherwise is not None:
        return ("Nothing can be said to have moved: one of the results is a mirror image or "
                "relabelled. Find which with calib diagnose, and solve it again.")
    if found.congruency.congruent:
        return "Nothing has moved beyond chance."
    if not moved:
        return "Something has moved, but no single quantity explains it."
    if failed:
        return ("Were both results right, this would have moved: "
                f"{', '.join(spoken(m.name) for m in moved)}.")
    if len(moved) == 1:
        return moved[0].says
    return f"Moved beyond chance: {', '.join(spoken(m.name) for m in moved)}."


def _doubt(older, newer, found):
    """What stands first where the two results are no sound pair; None if they are."""
    said = [part for part in (_two_machines(older, newer), _wrong_way(older, newer),
                                  _unsound(older, newer, found)) if part]
    return " ".join(said) or None


def _two_machines(older, newer):
    """That the jobs name two machines, if they do."""
    for what, a, b in zip(("machine", "serial number"), older.whose, newer.whose, strict=True):
        if a and b and a.casefold().split() != b.casefold().split():
            return (f"These are two machines: the older result states the {what} {a}, the newer "
                    f"{b}.")
    return ""


def wrong_way_round(older: Survey, newer: Survey) -> bool:
    """Whether the older run is the later one; a date has no time of day."""
    told = min(len(older.time), len(newer.time))
    return older.time[:told] > newer.time[:told]


def _wrong_way(older, newer):
    if not wrong_way_round(older, newer):
        return ""
    return (f"The two are the wrong way round: the older result begins at {older.time}, the newer "
            f"at {newer.time}. Larger below is smaller; give them in the other order.")


def _unsound(older, newer, found):
    """What else makes the two no sound pair; None if nothing does."""
    failed = [f"the {which} result failed {' and '.join(survey.failed)}"
              for which, survey in (("older", older), ("newer", newer)) if survey.failed]
    said = "; ".join(failed)
    if found.models:
        alike = "; ".join(map(difference_says, found.models))
        also = f" Besides, {said}." if failed else ""
        return f"The two results are of different models: {alike}.{also}"
    if found.otherwise is not None:
        return f"{otherwise_says(found.otherwise)}."
    if found.more_moved:
        reason = "These are probably two machines, or a result failed its gates: "
        reason += said or ("neither did, so look whether it is the same machine and attachment")
        return f"More has moved than the quantities named below. {reason}."
    if failed and not found.congruency.congruent:
        return (f"{said[0].upper()}{said[1:]}: what seems to have moved may be its mistake. Mend "
                "that result first.")
    if failed:
        return f"{said[0].upper()}{said[1:]}: do not rest anything on this test."
    return None


def _remarks(older, newer, found):
    """What hints at the wrong pair of results, and how the two were weighted."""
    remarks = []
    if older.rig.name != newer.rig.name:
        remarks.append(f"The older result is of the rig {older.rig.name}, the newer of "
                       f"{newer.rig.name}: are they of one machine?")
    if not found.same_precision:
        remarks.append("The two runs do not fit equally well (variance factors "
                       f"{older.chi2 / older.dof:.2f} and {newer.chi2 / newer.dof:.2f}): each is "
                       "weighted by how well it does.")
    return remarks + in_common_says(older, newer, "the older", "the newer")


def _mark(name, z, found, doubtful):
    """What stands at the end of a row; a large difference is never passed over in silence."""
    if name in found.moved_names:
        return "moved"
    return "differs" if doubtful and z is not None and abs(z) > _DIFFERS else ""


def _rows(older, newer, found):
    doubtful = not found.comparable or found.more_moved or bool(older.failed or newer.failed) or \
        not set(found.moved_names) <= set(found.names)
    names, sd, units = found.names, found.difference_sd, newer.units(found.names)
    f = unit_factors(units)
    z = [off / own if own > 0 else None for off, own in zip(found.difference, sd, strict=True)]
    return DriftRow.each(
        name=names, unit=units, older=f * older.parameters[older.index(names)],
        newer=f * newer.parameters[newer.index(names)], difference=f * found.difference, sd=f * sd,
        z=z, moved=[name in found.moved_names for name in names],
        mark=[_mark(name, off, found, doubtful) for name, off in zip(names, z, strict=True)])


def drift_sections(document: DriftRecord) -> list[Section]:
    """What a person reads of a drift test."""
    test = document.test
    moved = document.moved
    items = [("moved", words(m.says)) for m in moved] \
        if len(moved) > 1 or (moved and moved[0].says != document.says) else []
    items += [("note", words(remark)) for remark in document.remarks]
    differ = [spoken(r.name) for r in document.rows if r.mark == "differs"]
    if differ:
        items.append(("note", words("Not named as moved, but "
                                    f"more than {_DIFFERS:.0f} sds apart: {', '.join(differ)}.")))
    rows: list[list[Cell]] = []
    for r in document.rows:
        newer, sd, write = value_cells(r.newer, r.sd, r.unit)
        rows.append([Name(r.name), SHOWN[r.unit][0], write(r.older), newer,
                     write(r.difference, sign=True), sd, fixed(r.z, 1, 1.0, True), r.mark])
    doubt = document.doubt
    blocks = [
        *([Text(words(doubt), "lead")] if doubt else []),
        Text(words(document.says), "lead"),
        *([Items(tuple(items))] if items else []),
        Text(words("Congruency test of what the shots of both say, the tape left out: F ",
                   fixed(test.statistic, 2), ", critical ", fixed(test.limit, 2), " at ",
                   fixed(document.level, 0, 100.0), " % (", fixed(test.rank, 0), " and ",
                   fixed(test.dof, 0), " degrees of freedom, pooled variance factor ",
                   fixed(test.pooled_variance_factor, 2), ").")),
        *([] if document.edge is None else
          [edge_sentence(document.edge, "With the older values in the newer machine")]),
        *([Text(words("The sizes above are from the shots alone. In the table below the tape that "
                      "took part in each result counts too, and holds values where they were "
                      "taped: a difference there may be smaller."), "note")]
          if document.moved else []),
        Table("Newer less older as they were solved, tape included. Lengths in mm, angles in "
              "deg.", ("quantity", "unit", "older", "newer", "newer less older",
                       "sd of it", "in sds", ""), rows, [bool(r.mark) for r in document.rows]),
        *([] if document.edge is None else edge_blocks(document.edge)),
    ]
    return [Section("drift", "What has moved", tuple(blocks))]
