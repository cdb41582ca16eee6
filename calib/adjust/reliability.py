"""How well observations, readings and priors check each other.

Everything is taken from the linearised problem at the solution. With M = B Q B' + S the covariance
of the misclosures w, Q_ww that of the adjusted misclosures, P = M^-1 and C = P Q_ww P:

* an observation's standardised residual is (P w)_i / sqrt(C_ii), a reading's the same seen through
  -B: the correlated form (P v)_i / sqrt((P Q_vv P)_ii), because in the full adjustment, with every
  reading as an observation of its own, P v is M^-1 w for observations and -B' M^-1 w for readings;
* redundancy numbers are diag(S C) for observations, diag(Q B' C B) for readings and the same for
  priors; together they sum to the degrees of freedom. For correlated observations a single one may
  lie outside 0 to 1, only the sum keeps its meaning;
* the minimal detectable bias is delta0 / sqrt(C_ii).

W. Baarda, *A Testing Procedure for Use in Geodetic Networks*, Delft 1968 (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, cast

import numpy as np

from calib.adjust.adjustment import Adjustment
from calib.adjust.critical import delta0, noncentrality
from calib.adjust.whitening import whitened

#: An observation of which less than this share is checked by the others counts as unchecked.
UNCHECKED = 1e-9

#: Blocks of which left singular vectors are taken at a time.
_AT_A_TIME = 4096

#: The shape of a group that is one prior value.
_PRIOR: tuple[Any, ...] = ("prior",)


@dataclass(frozen=True)
class Checks:
    """How well some values are checked by all others; each array in the shape of the values."""

    #: Standardised residuals, positive where measured is above computed; NaN where nothing checks
    #: the value.
    w: np.ndarray
    redundancy: np.ndarray  #: 0 where nothing checks the value.
    #: Minimal detectable bias in the value's own unit; inf where nothing checks the value.
    mdb: np.ndarray
    checked: np.ndarray  #: Bool. False: by nothing, an error of any size passes unseen.


@dataclass(frozen=True)
class Reliability:
    """Reliability of a whole adjustment."""

    observations: Checks  #: Shape (n,).
    readings: Checks  #: Shape (n_blocks, k).
    priors: Checks  #: Shape (q,).


def reliability(adjustment: Adjustment) -> Reliability:
    """Redundancy, standardised residual and minimal detectable bias of every value.

    Detectable by the one-dimensional test at `calib.adjust.critical.ALPHA` with `POWER`.
    """
    observations, linearised = adjustment.observations, adjustment.linearised
    n, left = len(observations.values), linearised.spectrum.left
    by_row = _empty((n,))
    by_reading = _empty(observations.readings.shape)
    for group, g, whole in zip(
        observations.groups, linearised.whiteners, linearised.whole, strict=True
    ):
        rows, blocks = group.rows, group.blocks
        weighted, c, p = _weighted(g, whole, left, linearised.misclosure, rows)
        _store(by_row, rows, weighted, c, p, np.einsum("gij,gji->gi", group.covariance, c))
        q, b = observations.reading_covariance[blocks], linearised.by_readings[rows]
        if q.shape[1]:
            _store(
                by_reading,
                blocks,
                -np.einsum("gik,gi->gk", b, weighted),
                b.transpose(0, 2, 1) @ c @ b,
                b.transpose(0, 2, 1) @ p @ b,
                np.einsum("gij,gji->gi", q, b.transpose(0, 2, 1) @ c @ b),
            )
    by_prior = _empty((len(adjustment.prior.values),))
    if len(adjustment.prior.values):
        everything = np.arange(len(adjustment.prior.values))[None]
        weighted, c, p = _weighted(
            linearised.prior_whitener[None], linearised.prior_whole[None], left,
            linearised.misclosure, n + everything,
        )
        redundancy = np.einsum("ij,gji->gi", adjustment.prior.covariance, c)
        _store(by_prior, everything, weighted, c, p, redundancy)
    return Reliability(*map(_checked, (by_row, by_reading, by_prior)))


def pope_taus(w: np.ndarray, adjustment: Adjustment) -> np.ndarray:
    """w over the estimated instead of the stated standard deviation; NaN where unchecked.

    Compare with `calib.adjust.critical.pope_tau`. NaN everywhere without redundancy.
    """
    factor = adjustment.variance_factor
    return w / np.sqrt(factor) if factor else np.full_like(w, np.nan)


class GroupTest(NamedTuple):
    """Test of a bias of several dimensions."""

    statistic: float  #: Chi-square of `dof` if there is no bias.
    dof: int  #: What of the bias can be seen at all; 0 if nothing checks it.
    #: Least length of a bias that is found with the power of the one-dimensional test, along the
    #: worst direction that is checked; inf if some direction is not checked at all.
    mdb: float
    #: Shape (f,). Its estimate, measured - what the rest predicts; 0 along directions that are not
    #: checked.
    bias: np.ndarray


@dataclass(frozen=True)
class GroupTests:
    """Tests of many groups of one adjustment; make it once with `GroupTests.of`."""

    adjustment: Adjustment
    #: Int, shape (n, 3). Block group, block within it and position within the block of every
    #: observation.
    place: np.ndarray
    #: Int, shape (n_blocks, 2). Block group and block within it; -1 for a block without
    #: observations.
    of_block: np.ndarray
    #: Tuple of (M^-1 w, C, M^-1) per block group.
    parts: tuple[tuple[np.ndarray, np.ndarray, np.ndarray], ...]

    @classmethod
    def of(cls, adjustment: Adjustment) -> "GroupTests":
        """Prepare the blocks of an adjustment."""
        observations, linearised = adjustment.observations, adjustment.linearised
        place = np.empty((len(observations.values), 3), int)
        of_block = np.full((len(observations.readings), 2), -1)
        parts = []
        for i, (group, g, whole) in enumerate(zip(
            observations.groups, linearised.whiteners, linearised.whole, strict=True
        )):
            count, size = group.rows.shape
            place[group.rows, 0] = i
            place[group.rows, 1] = np.arange(count)[:, None]
            place[group.rows, 2] = np.arange(size)
            of_block[group.blocks] = np.column_stack([np.full(count, i), np.arange(count)])
            parts.append(_weighted(g, whole, linearised.spectrum.left, linearised.misclosure,
                                   group.rows))
        return cls(adjustment, place, of_block, tuple(parts))

    def test(self, rows: Sequence[int] = (), block: int | None = None,
             readings: Sequence[int] = (), priors: Sequence[int] = ()) -> GroupTest:
        """Test `rows`, the `readings` of `block` and `priors` together for a bias of any form.

        The radius `mdb` mixes units if observations and readings are both given.
        """
        return self.test_all([(rows, block, readings, priors)])[0]

    def test_all(self, groups: Sequence[tuple[Any, ...]]) -> list[GroupTest]:
        """Test many ``(rows, block, readings[, priors])``, those of one shape at once."""
        place, of_block = self.place.tolist(), self.of_block.tolist()
        results: list[GroupTest | None] = [None] * len(groups)
        alike: dict[tuple[Any, ...], list[Any]] = {}
        for number, group in enumerate(groups):
            rows, block, readings, priors = (*group, ())[:4]
            where = {tuple(place[row][:2]) for row in rows}
            if len(readings):
                where.add(tuple(of_block[block]))
            if not where and len(priors) == 1:
                alike.setdefault(_PRIOR, []).append((number, priors[0]))
                continue
            if len(where) > 1 or len(priors):
                columns = hypothesis(self.adjustment, rows, block, readings, priors)
                results[number] = hypothesis_test(self.adjustment, columns)
                continue
            (i, j), = where or {(-1, -1)}
            shape: tuple[Any, ...] = i, len(rows), len(readings)
            alike.setdefault(shape, []).append(
                (number, j, [place[row][2] for row in rows], list(readings)))
        for shape, members in alike.items():
            tests = self._priors(members) if shape == _PRIOR else self._alike(shape, members)
            for (number, *_), test in zip(members, tests, strict=True):
                results[number] = test
        return cast(list[GroupTest], results)

    def _priors(self, members: list[Any]) -> list[GroupTest]:
        """Single prior values."""
        linearised, chosen = self.adjustment.linearised, [i for _, i in members]
        n, h = len(self.adjustment.residuals), linearised.prior_whitener[:, chosen]
        taken_up = linearised.spectrum.left[n:].T @ h
        normal = np.sum(h**2, axis=0) - np.sum(taken_up**2, axis=0)
        total = np.sum(linearised.prior_whole[:, chosen] ** 2, axis=0)
        pulled = h.T @ linearised.misclosure[n:]
        return _group_tests(pulled[:, None], normal[:, None, None], total)

    def _alike(self, shape: tuple[int, int, int], members: list[Any]) -> list[GroupTest]:
        """Groups in the blocks of one block group, with equal numbers of rows and readings."""
        i, n_rows, n_readings = shape
        _, numbers, positions, columns = zip(*members, strict=True)
        size = n_rows + n_readings
        if i < 0:
            return [GroupTest(0.0, 0, np.inf, np.zeros(size))] * len(members)
        blocks = np.array(numbers)
        weighted, c, p = (part[blocks] for part in self.parts[i])
        h = np.zeros((len(members), weighted.shape[1], size))
        every = np.arange(len(members))[:, None]
        if n_rows:
            h[every, np.array(positions), np.arange(n_rows)] = 1.0
        if n_readings:
            rows = self.adjustment.observations.groups[i].rows[blocks]
            b = self.adjustment.linearised.by_readings[rows]
            chosen = np.array(columns)[:, None, :]
            h[:, :, n_rows:] = -np.take_along_axis(b, chosen, axis=2)
        ht = h.transpose(0, 2, 1)
        total = np.einsum("gmf,gmf->g", h, p @ h)
        return _group_tests((ht @ weighted[..., None])[..., 0], ht @ c @ h, total)


def hypothesis(
    adjustment: Adjustment, rows: Sequence[int] = (), block: int | None = None,
    readings: Sequence[int] = (), priors: Sequence[int] = (),
) -> np.ndarray:
    """Columns, one per suspected value: the change of the misclosures per unit of its bias.

    Returns
    -------
    ndarray, shape (n, f), or (n + q, f) if there are priors among them
        In the order rows, readings, priors.
    """
    n, of_row = len(adjustment.residuals), np.asarray(rows, int)
    height = n + len(adjustment.prior_residuals) if len(priors) else n
    columns = np.zeros((height, len(rows) + len(readings) + len(priors)))
    columns[of_row, np.arange(len(rows))] = 1.0
    last = len(rows) + len(readings)
    if block is not None and len(readings):
        of_block = rows_of_block(adjustment, block)
        b = adjustment.linearised.by_readings[of_block]
        columns[of_block, len(rows):last] = -b[:, np.asarray(readings)]
    columns[n + np.asarray(priors, int), last + np.arange(len(priors))] = 1.0
    return columns


def hypothesis_test(adjustment: Adjustment, columns: np.ndarray) -> GroupTest:
    """Test whether the misclosures contain a combination of `columns`.

    Parameters
    ----------
    columns : ndarray, shape (n, f), or (n + q, f) with those of the prior below
    """
    linearised, height = adjustment.linearised, len(columns)
    left = linearised.spectrum.left[:height]
    white = whiten(adjustment, columns)
    taken_up = left.T @ white
    return _group_tests(
        (white.T @ linearised.misclosure[:height])[None],
        (white.T @ white - taken_up.T @ taken_up)[None],
        np.sum(whiten(adjustment, columns, whole=True) ** 2)[None])[0]


def _group_tests(pulled: np.ndarray, normal: np.ndarray, total: np.ndarray) -> list[GroupTest]:
    """Tests from stacks of H' M^-1 w, H' C H and the trace of H' M^-1 H."""
    values, vectors = np.linalg.eigh(normal)
    visible = values > UNCHECKED * np.maximum(total, np.finfo(float).tiny)[:, None]
    safe = np.where(visible, values, 1.0)
    along = np.where(visible, np.einsum("gfk,gf->gk", vectors, pulled), 0.0)
    statistics = np.sum(along**2 / safe, axis=1)
    radii = np.where(visible.all(1), np.sqrt(noncentrality() / safe.min(1)), np.inf)
    biases = np.einsum("gfk,gk->gf", vectors, along / safe)
    return [
        GroupTest(*row) for row in zip(
            statistics.tolist(), visible.sum(1).tolist(), radii.tolist(), biases, strict=True)
    ]


def rows_of_block(adjustment: Adjustment, block: int) -> np.ndarray:
    """The observations of a block; empty if it has none."""
    for group in adjustment.observations.groups:
        where = np.flatnonzero(group.blocks == block)
        if len(where):
            rows: np.ndarray = group.rows[where[0]]
            return rows
    return np.zeros(0, int)


def whiten(adjustment: Adjustment, columns: np.ndarray, whole: bool = False) -> np.ndarray:
    """Apply the whiteners to columns over observations (n, f), or over priors too (n + q, f).

    `whole` whiteners are those without anything set aside.
    """
    n, linearised = len(adjustment.residuals), adjustment.linearised
    whiteners = linearised.whole if whole else linearised.whiteners
    own = whitened(adjustment.observations.groups, columns[:n], whiteners)
    if len(columns) == n:
        return own
    prior = linearised.prior_whole if whole else linearised.prior_whitener
    return np.concatenate([own, prior @ columns[n:]])


@dataclass(frozen=True)
class Influence:
    """How the parameters move per unit of error: external reliability is this times a bias."""

    observations: np.ndarray  #: Shape (n, p).
    readings: np.ndarray  #: Shape (n_blocks, k, p).
    priors: np.ndarray  #: Shape (q, p). Zero columns for held parameters.


def influence(adjustment: Adjustment) -> Influence:
    """Derivatives of the estimates by every observation, reading and prior value."""
    observations, linearised = adjustment.observations, adjustment.linearised
    n, p = len(observations.values), len(adjustment.parameters)
    n_blocks, k = observations.readings.shape
    spectrum = linearised.spectrum
    gain = (spectrum.left / spectrum.singular) @ (spectrum.scale[:, None] * spectrum.right).T
    by_row, by_reading = np.zeros((n, p)), np.zeros((n_blocks, k, p))
    free = np.flatnonzero(adjustment.free)
    for group, g in zip(observations.groups, linearised.whiteners, strict=True):
        part = np.zeros((*group.rows.shape, p))
        part[:, :, free] = g.transpose(0, 2, 1) @ gain[group.rows]
        by_row[group.rows] = part
        if k:
            b = linearised.by_readings[group.rows]
            by_reading[group.blocks] = -b.transpose(0, 2, 1) @ part
    by_prior = np.zeros((len(adjustment.prior.values), p))
    by_prior[:, free] = linearised.prior_whitener.T @ gain[n:]
    return Influence(by_row, by_reading, by_prior)


def _weighted(g: np.ndarray, whole: np.ndarray, left: np.ndarray, misclosure: np.ndarray,
              rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """W w, C = W Q_ww W and M^-1 of a stack of blocks; W is M^-1 less what is set aside."""
    gt = g.transpose(0, 2, 1)
    weighted = (gt @ misclosure[rows][..., None])[..., 0]
    q_ww = np.empty_like(g)
    for first in range(0, len(rows), _AT_A_TIME):
        some = slice(first, first + _AT_A_TIME)
        u = left[rows[some]]
        q_ww[some] = np.eye(g.shape[1]) - u @ u.transpose(0, 2, 1)
    return weighted, gt @ q_ww @ g, whole.transpose(0, 2, 1) @ whole


def _empty(shape: tuple[int, ...]) -> Any:
    return tuple(np.zeros(shape) for _ in range(4))


def _store(family: tuple[np.ndarray, ...], where: np.ndarray, weighted: np.ndarray, c: np.ndarray,
           p: np.ndarray, redundancy: np.ndarray) -> None:
    """Keep M^-1 w, diag C, diag M^-1 and the redundancy of a stack of blocks."""
    family[0][where] = weighted
    family[1][where] = np.einsum("gii->gi", c)
    family[2][where] = np.einsum("gii->gi", p)
    family[3][where] = redundancy


def _checked(family: tuple[np.ndarray, ...]) -> Checks:
    weighted, c, p, redundancy = family
    checked = c > UNCHECKED * p
    root = np.sqrt(np.where(checked, c, 1.0))
    return Checks(np.where(checked, weighted / root, np.nan), np.where(checked, redundancy, 0.0),
                  np.where(checked, delta0() / root, np.inf), checked)
