"""A result in the words and units of a list of entries."""

import numpy as np

from calib.chain.rig import Rig
from calib.confirm.carried import carried, within95
from calib.document.entered import Entered, EntryRow, LeftOutRow, OwnRow
from calib.document.record import ResultRecord
from calib.edge import EdgeNodes, envelope_edge
from calib.entries.determined import Determined, determined
from calib.entries.listed import EntryList, entry_list, entry_values
from calib.report.numbers import unit_factor
from calib.report.words.entries import determined_says, entry_means
from calib.solved_machine import covariance_of, rig_and_parameters


def with_entries(document: ResultRecord, entries: EntryList) -> ResultRecord:
    """The document with what is to be typed of it."""
    return document.model_copy(update={"entries": entered_record(document, entries)})


def entries_of(document: ResultRecord, rig: Rig) -> EntryList | None:
    """The list of entries that a result was solved with."""
    return None if document.entries is None else entry_list(document.entries.definition, rig)


def entered_record(document: ResultRecord, entries: EntryList) -> Entered:
    """What is to be typed, with sds, the old values, and what rounding costs at the edge."""
    rig, parameters = rig_and_parameters(document)
    nodes = envelope_edge(rig, parameters)
    values, sd, old = values_of(document, rig, entries, parameters)
    found = determined_at(rig, entries, parameters, nodes)
    carries = carried(rig, entries, parameters, _taped(document), nodes, found)
    listed = entries.entries
    rows = EntryRow.each(
        listed, means=[entry_means(e, rig) for e in listed], value=values,
        typed=[e.text(v) for e, v in zip(listed, values, strict=True)], sd=sd, old=old,
        rounding=found.rounding)
    return Entered.like(
        carries, title=entries.title, definition=dict(entries.definition), rows=rows,
        own=list(_beside(OwnRow, carries.own, rig)),
        left_out=list(_beside(LeftOutRow, carries.left_out, rig)),
        enough=_enough(document.goal, found, carries), complete=found.complete,
        says=determined_says(found, rig))


def _beside(kind, items, rig):
    """Records of parameters that no entry is of, with their values in the units of the record."""
    for item in items:
        p = rig.parameters[rig.parameter_names.index(item.name)]
        yield kind.like(p, **{name: value if value is None or name in ("name", "moves") else
                              unit_factor(p.unit) * value for name, value in vars(item).items()})


def _enough(goal, found, carries):
    """The edge is known to what is required, with what the list adds; not what is left open."""
    return bool(found.complete and goal.within95 is not None
                and within95(carries.off, goal.within95) <= goal.edge)


def determined_at(rig: Rig, entries: EntryList, parameters: np.ndarray, nodes: EdgeNodes
                  ) -> Determined:
    """What a list determines of a machine at the nodes of its envelope."""
    edge = nodes.by_parameters[nodes.seen]
    return determined(rig, entries, parameters, edge.reshape(-1, 3, edge.shape[-1]))


def values_of(document: ResultRecord, rig: Rig, entries: EntryList, parameters: np.ndarray
              ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What is to be typed, its sd, and what was if the taped values were, each of shape (n,).

    What was is NaN where the tape does not tell it.
    """
    values, gradient = entry_values(entries, parameters)
    variance = np.einsum("ip,pq,iq->i", gradient, covariance_of(document, rig), gradient)
    return (values, np.sqrt(np.maximum(variance, 0.0)),
            _old_values(_taped(document), rig, entries, parameters))


def _taped(document):
    """Taped values by name, m or rad."""
    rows = [] if document.taped is None else document.taped.rows
    return {r.quantity: r.tape / unit_factor(r.unit) for r in rows}


def _old_values(taped, rig, entries, parameters):
    at = np.array([taped.get(name, value)
                   for name, value in zip(rig.parameter_names, parameters, strict=True)])
    told = np.array([p.held or p.name in taped for p in rig.parameters])
    values, gradient = entry_values(entries, at)
    known = np.array([told[row != 0].all() and any(
        p.name in taped for p, slope in zip(rig.parameters, row, strict=True) if slope)
        for row in gradient])
    old = np.where(known, values, np.nan)
    for i, entry in enumerate(entries.entries):
        if entry.weights and set(entry.weights) <= set(taped):
            quantity = sum(w * taped[name] for name, w in entry.weights.items())
            old[i] = entry.sign * quantity / entry.size + entry.plus
    return old
