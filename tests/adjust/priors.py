"""Priors on parameters by their numbers."""

import numpy as np

from calib.adjust.observations import Prior


def prior_on(names, index, values, sd=None, covariance=None):
    """A prior on the parameters numbered `index`, with their `sd` or a full `covariance`."""
    covariance = np.diag(np.array(sd, float) ** 2) if covariance is None else covariance
    index = np.array(index, int)
    return Prior(tuple(names), np.array(values, float), np.array(covariance, float),
                 lambda parameters: (parameters[index], np.eye(len(parameters))[index]))
