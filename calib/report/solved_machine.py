"""The machine of a result's document, in m and rad."""

import numpy as np

from calib.chain.rig import Rig, rig_from_dict
from calib.document.record import ResultRecord
from calib.report.numbers import unit_factor, unit_factors


def rig_and_parameters(document: ResultRecord) -> tuple[Rig, np.ndarray]:
    """The rig of a result and its parameters in m and rad."""
    rig = rig_from_dict(document.rig.definition)
    values = {p.name: p.value / unit_factor(p.unit) for p in document.parameters}
    return rig, np.array([values[name] for name in rig.parameter_names])


def covariance_of(document: ResultRecord, rig: Rig) -> np.ndarray:
    """Covariance of a result's parameters, shape (p, p), m and rad; zero rows where held."""
    names, matrix = document.covariance.names, np.array(document.covariance.matrix)
    place = [names.index(p.name) if p.name in names else -1 for p in rig.parameters]
    there = np.array(place) >= 0
    picked = matrix[np.ix_(place, place)] * np.outer(there, there)
    factor = unit_factors(p.unit for p in rig.parameters)
    return picked / np.outer(factor, factor)
