"""Grouped data as an adjustment problem: a mean, or treatments, and a draw for every group."""

import numpy as np

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.adjust.variance_components import Component, variance_components


def random_intercepts(values, group, design=None, stated=(1.0, 1.0)):
    """REML of values that share a random intercept per group.

    Parameters
    ----------
    values, group : array-like, shape (n,)
    design : ndarray, shape (n, p), optional
        The fixed effects; a mean if not given.
    stated : (float, float)
        Stated sds within and between groups, which the result is not to depend on.

    Returns
    -------
    VarianceComponents
        Of "within" and "between", as multiples of the stated variances.
    """
    values, group = np.asarray(values, float), np.asarray(group)
    design = np.ones((len(values), 1)) if design is None else design
    groups, ones = group.max() + 1, np.ones((len(values), 1))
    observations = Observations.build(
        values, group, [stated[0] ** 2 * np.eye(n) for n in np.bincount(group)],
        np.zeros((groups, 1)), np.full((groups, 1, 1), stated[1] ** 2))

    def model(x, readings):
        return Prediction(design @ x + readings[group, 0], design, ones)

    solved = adjust(model, observations, np.zeros(design.shape[1]))
    components = [Component("within", rows=np.arange(len(values))),
                  Component("between", reading=0)]
    return variance_components(model, solved, components)
