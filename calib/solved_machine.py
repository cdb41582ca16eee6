"""The machine of a result's document, in m and rad."""

import numpy as np

from calib.chain.parts import factor_to_si
from calib.chain.rig import Rig, rig_from_dict
from calib.document.record import ResultRecord


def rig_and_parameters(document: ResultRecord) -> tuple[Rig, np.ndarray]:
    """The rig of a result and its parameters in m and rad."""
    rig = rig_from_dict(document.rig.definition)
    return rig, parameters_of(document, rig)


def parameters_of(document: ResultRecord, rig: Rig) -> np.ndarray:
    """The parameters of a result, shape (p,), m and rad."""
    values = {p.name: p.value * factor_to_si(p.unit) for p in document.parameters}
    return np.array([values[name] for name in rig.parameter_names])


def covariance_of(document: ResultRecord, rig: Rig) -> np.ndarray:
    """Covariance of a result's parameters, shape (p, p), m and rad; zero rows where held."""
    names, record = rig.parameter_names, document.covariance
    own = [i for i, name in enumerate(record.names) if name in names]
    at = [names.index(record.names[i]) for i in own]
    matrix = np.zeros((len(names), len(names)))
    matrix[np.ix_(at, at)] = np.array(record.matrix).reshape(len(record.names), -1)[
        np.ix_(own, own)]
    factor = [factor_to_si(p.unit) for p in rig.parameters]
    return matrix * np.outer(factor, factor)
