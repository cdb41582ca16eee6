"""A result in the words and units of a list of entries."""

import numpy as np

from calib.chain.rig import Rig
from calib.confirm.carried import carried, within95
from calib.document.entered import Entered, EntryRow, LeftOutRow, OwnRow
from calib.document.record import ResultRecord
from calib.edge import EdgeNodes, envelope_edge
from calib.entries.determined import Determined, determined
from calib.entries.listed import EntryList, entry_list, entry_values
from calib.report.numbers import number, unit_factor
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
    rows = [
        EntryRow(name=e.name, unit=e.unit, means=entry_means(e, rig), value=float(values[i]),
                 typed=e.text(values[i]), step=e.step, sd=float(sd[i]), old=number(old[i]),
                 rounding=number(found.rounding[i]))
        for i, e in enumerate(entries.entries)
    ]
    return Entered(title=entries.title, definition=dict(entries.definition), rows=rows,
                   rounding=number(carries.rounding), off=number(carries.off),
                   own=[_own(o, rig) for o in carries.own],
                   left_out=[_left_out(o, rig) for o in carries.left_out],
                   enough=_enough(document.goal, found, carries),
                   complete=found.complete, says=determined_says(found, rig))


def _own(held, rig):
    unit = next(p.unit for p in rig.parameters if p.name == held.name)
    factor = unit_factor(unit)
    return OwnRow(name=held.name, unit=unit, held=factor * held.held,
                  solved=factor * held.solved, moves=number(held.moves))


def _left_out(item, rig):
    parameter = next(p for p in rig.parameters if p.name == item.name)
    factor = unit_factor(parameter.unit)
    return LeftOutRow(name=item.name, means=parameter.means, unit=parameter.unit,
                      solved=factor * item.solved,
                      old=None if item.old is None else factor * item.old)


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
