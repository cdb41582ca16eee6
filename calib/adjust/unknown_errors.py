"""The errors of what is set aside, as the rest tells them: estimate, covariance, and test.

Of a block with columns H of what is set aside, t the estimate of their errors at known parameters
with covariance N = (H' M^-1 H)^-1, and L = N H' M^-1 A, the parameters' estimate carries over as

    cov(t) = N + L C L',    cov(t, x) = -L C,

C the covariance of the parameters. Taking a value back moves the parameters by C L' cov(t)^-1 t.
The covariance of an observation or a reading is part of M: t' cov(t)^-1 t tests whether the value
fits what the rest predicts, and in a linear model equals the test of the adjustment with it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from calib.adjust.adjustment import Adjustment
from calib.adjust.observations import BlockGroup
from calib.adjust.reliability import GroupTest


class ErrorTest(NamedTuple):
    """Test of a value that is set aside against what the rest predicts."""

    #: Its bias is measured - predicted; dof 0 if the rest does not predict it, mdb NaN.
    test: GroupTest
    #: Shape (p,). What taking it back would move the parameters by, to first order.
    shift: np.ndarray


def error_test(
    adjustment: Adjustment, rows: Sequence[int] = (), block: int | None = None,
    readings: Sequence[int] = (),
) -> ErrorTest:
    """Test rows and readings of one block that are set aside; rows as of `GroupTests.test`."""
    linearised, free, size = adjustment.linearised, adjustment.free, len(rows) + len(readings)
    shift = np.zeros(len(free))
    unpredicted = ErrorTest(GroupTest(0.0, 0, np.nan, np.zeros(size)), shift)
    places = _places(linearised.groups, rows, block, readings)
    estimates, links, own = [], [], []
    for i, member, column in places:
        out, of_block = linearised.eliminated[i], linearised.groups[i].rows[member]
        at = np.flatnonzero(out.where == member)
        if not out.seen[at, column].any():
            return unpredicted
        k = (out.estimator[at, column] @ linearised.whole[i][member])[0]
        estimates.append(k @ linearised.raw[of_block])
        links.append(k @ linearised.by_parameters[of_block])
        own.append(out.covariance[at[0], column])
    if len(places) < size:
        return unpredicted
    c, t, link = adjustment.covariance[np.ix_(free, free)], np.array(estimates), np.array(links)
    covariance = link @ c @ link.T
    for one, place in enumerate(places):
        for other, (*of_other, column) in enumerate(places):
            if [*place[:2]] == of_other:
                covariance[one, other] += own[one][column]
    try:
        weighted = np.linalg.solve(covariance, t)
    except np.linalg.LinAlgError:  # without them next to nothing is known of what they depend on
        return unpredicted
    shift[free] = c @ link.T @ weighted
    sign = np.ones(size)
    sign[len(rows) :] = -1.0
    return ErrorTest(GroupTest(float(t @ weighted), size, np.nan, sign * t), shift)


def _places(groups: Sequence[BlockGroup], rows: Sequence[int], block: int | None,
            readings: Sequence[int]) -> list[tuple[int, int, int]]:
    """Group, block within it, and column of H of each value; of those that are in no block none."""
    return [*((i, member, column) for row in rows for i, group in enumerate(groups)
              for member, column in np.argwhere(group.rows == row).tolist()),
            *((i, member, group.rows.shape[1] + j) for i, group in enumerate(groups)
              for member in np.flatnonzero(group.blocks == block).tolist() for j in readings)]


@dataclass(frozen=True)
class ReadingLinks:
    """How the errors of the readings of every block hang together with the estimates.

    With e the errors of the readings that take part and u the estimates of those set aside.
    """

    known: np.ndarray  #: Bool, shape (n_blocks, k). Takes part.
    determined: np.ndarray  #: Bool, shape (n_blocks, k). Set aside, and estimated.
    #: Shape (n_blocks, k, p). L: change of -u per unit of the parameters.
    by_parameters: np.ndarray
    own: np.ndarray  #: Shape (n_blocks, k, k). Covariance of u if the parameters were known.
    #: Shape (n_blocks, k, p). Covariance of e with the errors of the parameters' estimates.
    with_parameters: np.ndarray
    #: Shape (n_blocks, k, k). Covariance of e with the errors of u if the parameters were known.
    with_own: np.ndarray

    @classmethod
    def of(cls, adjustment: Adjustment) -> "ReadingLinks":
        """Of every block of an adjustment."""
        observations, linearised = adjustment.observations, adjustment.linearised
        free, (n_blocks, k) = adjustment.free, observations.readings.shape
        known = ~observations.readings_aside
        determined = np.zeros((n_blocks, k), bool)
        link, with_parameters = np.zeros((2, n_blocks, k, len(free)))
        own, with_own = np.zeros((2, n_blocks, k, k))
        q = observations.reading_covariance * known[:, :, None] * known[:, None, :]
        c = adjustment.covariance[free]
        for group, g, whole, out in zip(observations.groups, linearised.whiteners,
                                        linearised.whole, linearised.eliminated, strict=False):
            m, a = group.rows.shape[1], linearised.by_parameters[group.rows]
            b = linearised.by_readings[group.rows]
            through = q[group.blocks] @ b.transpose(0, 2, 1)
            with_parameters[group.blocks] = through @ g.transpose(0, 2, 1) @ (g @ a @ c)
            if not len(out.where):
                continue
            of = group.blocks[out.where]
            k_matrix = out.estimator[:, m:] @ whole[out.where]
            determined[of] = out.seen[:, m:] & ~known[of]
            link[np.ix_(of, np.arange(k), np.flatnonzero(free))] = k_matrix @ a[out.where]
            with_own[of] = through[out.where] @ k_matrix.transpose(0, 2, 1)
            # M holds the covariance of the readings set aside: they are unknowns, without one.
            aside = observations.reading_covariance[of] * ~(known[of][:, :, None]
                                                            | known[of][:, None, :])
            own[of] = np.where(aside != 0, out.covariance[:, m:, m:] - aside,
                               out.covariance[:, m:, m:])
        return cls(known, determined, link, own, with_parameters, with_own)
