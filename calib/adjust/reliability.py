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

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, cast

import numpy as np

from calib.adjust.adjustment import Adjustment
from calib.adjust.aside import block_columns
from calib.adjust.critical import delta0, noncentrality
from calib.adjust.whitening import whitened

#: An observation of which less than this share is checked by the others counts as unchecked.
UNCHECKED = 1e-9

#: Blocks of which left singular vectors are taken at a time.
_AT_A_TIME = 4096

class Checks(NamedTuple):
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
    observations, groups = adjustment.observations, adjustment.linearised.groups
    n, q = len(observations.values), len(adjustment.prior.values)
    rows, readings = _unchecked((n + q,)), _unchecked(observations.readings.shape)
    for group, part in zip(groups, _parts(adjustment), strict=True):
        m = group.rows.shape[1]
        _check(rows, group.rows, group.covariance, part, slice(m))
        _check(readings, group.blocks, observations.reading_covariance[group.blocks], part,
               slice(m, None))
    return Reliability(Checks(*(a[:n] for a in rows)), readings, Checks(*(a[n:] for a in rows)))


def pope_taus(w: np.ndarray, adjustment: Adjustment) -> np.ndarray:
    """w over the estimated instead of the stated standard deviation; NaN where unchecked.

    Compare with `calib.adjust.critical.pope_tau`. NaN everywhere without redundancy.
    """
    factor = adjustment.variance_factor
    return w / np.sqrt(factor) if factor else np.full_like(w, np.nan)


@dataclass(frozen=True)
class Candidate:
    """What may be wrong together: observations or prior values, readings of one block."""

    label: Hashable  #: The caller's name for it.
    rows: tuple[int, ...] = ()  #: Observations; from their number on, prior values.
    block: int | None = None
    readings: tuple[int, ...] = ()  #: Columns of the readings of `block`.
    #: Whether it starts a search by itself; no two that do may share a value. Those that do not are
    #: only weighed against the others once one of those is out, so that large groups do not add
    #: false alarms.
    detects: bool = True

    @property
    def values(self) -> tuple[tuple[int, ...], int | None, tuple[int, ...]]:
        """As `GroupTests.test` takes it."""
        return self.rows, self.block, self.readings


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
    #: Int, shape (n + q, 3). Group, block within it and position within the block of every
    #: observation, then of every prior value (`calib.adjust.linearised.Linearised.groups`).
    place: np.ndarray
    #: Int, shape (n_blocks, 2). Group and block within it; -1 for a block without observations.
    of_block: np.ndarray
    parts: tuple["_Part", ...]  #: Per group.

    @classmethod
    def of(cls, adjustment: Adjustment) -> "GroupTests":
        """Prepare the blocks of an adjustment."""
        linearised = adjustment.linearised
        place = np.empty((len(linearised.raw), 3), int)
        of_block = np.full((len(adjustment.observations.readings), 2), -1)
        for i, group in enumerate(linearised.groups):
            count, size = group.rows.shape
            place[group.rows, 0] = i
            place[group.rows, 1] = np.arange(count)[:, None]
            place[group.rows, 2] = np.arange(size)
            of_block[group.blocks] = np.column_stack([np.full(count, i), np.arange(count)])
        return cls(adjustment, place, of_block, tuple(_parts(adjustment)))

    def test(self, rows: Sequence[int] = (), block: int | None = None,
             readings: Sequence[int] = ()) -> GroupTest:
        """Test `rows` and the `readings` of `block` together for a bias of any form.

        Rows of n and more are prior values. The radius `mdb` mixes units if observations and
        readings are both given.
        """
        return self.test_all([(rows, block, readings)])[0]

    def test_all(self, groups: Sequence[tuple[Any, ...]]) -> list[GroupTest]:
        """Test many ``(rows, block, readings)``, those of one shape at once."""
        place, of_block = self.place.tolist(), self.of_block.tolist()
        results: list[GroupTest | None] = [None] * len(groups)
        alike: dict[tuple[int, int], list[Any]] = {}
        for number, (rows, block, readings) in enumerate(groups):
            where = {tuple(place[row][:2]) for row in rows}
            if len(readings):
                where.add(tuple(of_block[block]))
            size = len(rows) + len(readings)
            if len(where) > 1:
                results[number] = hypothesis_test(
                    self.adjustment, self.hypothesis(rows, block, readings))
                continue
            (i, j), = where or {(-1, -1)}
            if i < 0:
                results[number] = GroupTest(0.0, 0, np.inf, np.zeros(size))
                continue
            m = self.adjustment.linearised.groups[i].rows.shape[1]
            columns = [*(place[row][2] for row in rows), *(m + r for r in readings)]
            alike.setdefault((i, size), []).append((number, j, columns))
        for (i, _), members in alike.items():
            numbers, blocks, chosen = (np.array(each) for each in zip(*members, strict=True))
            of, part = blocks[:, None], self.parts[i]
            tests = _group_tests(part.pulled[of, chosen],
                                 part.normal[of[:, :, None], chosen[:, :, None], chosen[:, None]],
                                 part.total[of, chosen].sum(1))
            for number, test in zip(numbers.tolist(), tests, strict=True):
                results[number] = test
        return cast(list[GroupTest], results)

    def hypothesis(self, rows: Sequence[int] = (), block: int | None = None,
                   readings: Sequence[int] = ()) -> np.ndarray:
        """Columns, one per suspected value: the change of the misclosures per unit of its bias.

        Shape (n + q, f), in the order rows, readings.
        """
        linearised = self.adjustment.linearised
        columns = np.zeros((len(linearised.raw), len(rows) + len(readings)))
        columns[np.asarray(rows, int), np.arange(len(rows))] = 1.0
        if len(readings):
            i, j = self.of_block[block]
            of_block = linearised.groups[i].rows[j] if i >= 0 else np.zeros(0, int)
            columns[of_block, len(rows):] = -linearised.by_readings[of_block][:, list(readings)]
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


def whiten(adjustment: Adjustment, columns: np.ndarray, whole: bool = False) -> np.ndarray:
    """Apply the whiteners to columns over observations (n, f), or over priors too (n + q, f).

    `whole` whiteners are those without anything set aside.
    """
    linearised = adjustment.linearised
    whiteners = linearised.whole if whole else linearised.whiteners
    groups = len(whiteners) if len(columns) == len(linearised.raw) else -1
    return whitened(linearised.groups[:groups], columns, whiteners[:groups])


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
    by_row, by_reading = np.zeros((len(gain), p)), np.zeros((n_blocks, k, p))
    free = np.flatnonzero(adjustment.free)
    for group, g in zip(linearised.groups, linearised.whiteners, strict=True):
        part = np.zeros((*group.rows.shape, p))
        part[:, :, free] = g.transpose(0, 2, 1) @ gain[group.rows]
        by_row[group.rows] = part
        if len(group.blocks):
            b = linearised.by_readings[group.rows]
            by_reading[group.blocks] = -b.transpose(0, 2, 1) @ part
    return Influence(by_row[:n], by_reading, by_row[n:])


class _Part(NamedTuple):
    """Blocks of a group seen through H = [I, -B], their own values and then their readings.

    W is M^-1 less what is set aside.
    """

    pulled: np.ndarray  #: Shape (g, m + k). H' W w.
    normal: np.ndarray  #: Shape (g, m + k, m + k). H' C H with C = W Q_ww W.
    total: np.ndarray  #: Shape (g, m + k). The diagonal of H' M^-1 H.


def _parts(adjustment: Adjustment) -> Iterator[_Part]:
    """That of every group, the prior's last."""
    linearised, left = adjustment.linearised, adjustment.linearised.spectrum.left
    k = linearised.by_readings.shape[1]
    for group, g, whole in zip(linearised.groups, linearised.whiteners, linearised.whole,
                               strict=True):
        rows = group.rows
        h = block_columns(rows.shape[1], -linearised.by_readings[rows] if len(group.blocks)
                          else np.zeros((len(rows), rows.shape[1], k)))
        white = g @ h
        q_ww = np.empty_like(g)
        for first in range(0, len(rows), _AT_A_TIME):
            some = slice(first, first + _AT_A_TIME)
            u = left[rows[some]]
            q_ww[some] = np.eye(g.shape[1]) - u @ u.transpose(0, 2, 1)
        through = white.transpose(0, 2, 1)
        yield _Part((through @ linearised.misclosure[rows][..., None])[..., 0],
                    through @ q_ww @ white, np.sum((whole @ h) ** 2, axis=1))


def _unchecked(shape: tuple[int, ...]) -> Checks:
    return Checks(np.full(shape, np.nan), np.zeros(shape), np.full(shape, np.inf),
                  np.zeros(shape, bool))


def _check(checks: Checks, where: np.ndarray, covariance: np.ndarray, part: _Part,
           columns: slice) -> None:
    """Fill in the values of a stack of blocks that are so many columns of a part."""
    normal = part.normal[:, columns, columns]
    variance = np.einsum("gcc->gc", normal)
    checked = variance > UNCHECKED * part.total[:, columns]
    root = np.sqrt(np.where(checked, variance, 1.0))
    checks.w[where] = np.where(checked, part.pulled[:, columns] / root, np.nan)
    checks.redundancy[where] = np.where(
        checked, np.einsum("gij,gji->gi", covariance, normal), 0.0)
    checks.mdb[where] = np.where(checked, delta0() / root, np.inf)
    checks.checked[where] = checked
