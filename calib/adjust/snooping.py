"""Data snooping: one suspect at a time, set aside, solved again, tested again.

The candidates are sets of values of any size: one observation, a vector, a whole block, a reading.
Tests of different size are compared at equal power (B-method): the suspect is the candidate whose
test statistic is largest relative to its own limit. W. Baarda, *A Testing Procedure for Use in
Geodetic Networks*, Delft 1968; P. J. G. Teunissen, *Testing Theory: an Introduction*, Delft
University Press 2000 (detection and identification; both from memory).
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.adjust.critical import ALPHA, POWER, equal_power_limit
from calib.adjust.mixed_model import Adjustment, ModelNotFinite, NotConverged, adjust
from calib.adjust.observations import Model, Observations, Prediction, Prior
from calib.adjust.reliability import GroupTest, GroupTests
from calib.adjust.spectrum import NotDetermined

#: A reading set aside keeps its value with its sd multiplied by this: it no longer says anything.
SET_ASIDE_FACTOR = 1e4


@dataclass(frozen=True)
class Candidate:
    """What may be wrong together: observations, and readings of one block.

    Attributes
    ----------
    label : hashable
        The caller's name for it.
    rows : tuple of int
        Observations.
    block : int or None
    readings : tuple of int
        Columns of the readings of `block`.
    detects : bool
        Whether it starts a search by itself. Candidates that do not are only weighed against the
        others once one of those is out, so that large groups do not add false alarms.
    """

    label: Hashable
    rows: tuple[int, ...] = ()
    block: int | None = None
    readings: tuple[int, ...] = ()
    detects: bool = True


@dataclass(frozen=True)
class Verdict:
    """A candidate's test: beyond its limit when `quotient` exceeds 1."""

    candidate: Candidate
    test: GroupTest
    limit: float

    @property
    def quotient(self) -> float:
        return self.test.statistic / self.limit


@dataclass(frozen=True)
class Snooping:
    """What snooping set aside, in order, and the adjustments it began and ended with.

    Attributes
    ----------
    suspects : tuple of Verdict
        As tested when they were found.
    rivals : tuple of tuple of Verdict
        Per suspect, the other candidates beyond their limit at that step, largest first.
    shifts : tuple of ndarray, shape (p,)
        Per suspect, the parameters with it less those without it.
    first, final : Adjustment
        Of everything, and of what is left.
    kept : ndarray of int
        The observations of `first` that are in `final`.
    stopped : str
        Why the search ended.
    """

    suspects: tuple[Verdict, ...]
    rivals: tuple[tuple[Verdict, ...], ...]
    shifts: tuple[np.ndarray, ...]
    first: Adjustment
    final: Adjustment
    kept: np.ndarray
    stopped: str


def snoop(
    model: Model,
    observations: Observations,
    start: np.ndarray,
    candidates: Sequence[Candidate],
    *,
    names: Sequence[str] | None = None,
    prior: Prior | None = None,
    held: np.ndarray | None = None,
    alpha: float = ALPHA,
    power: float = POWER,
    most: int | None = None,
) -> Snooping:
    """Set aside the worst candidate and solve again until none is beyond its limit.

    Parameters
    ----------
    model, observations, start, names, prior, held
        As for `calib.adjust.mixed_model.adjust`.
    candidates : sequence of Candidate
    alpha, power : float
        Of the one-dimensional test; the others follow at equal power.
    most : int, optional
        Stop after so many suspects; a third of the candidates that detect, if not given.

    Raises
    ------
    NotDetermined, NotConverged, ModelNotFinite
        From the first adjustment.
    """
    how = {"names": names, "prior": prior, "held": held}
    most = max(1, sum(c.detects for c in candidates) // 3) if most is None else most
    first = current = adjust(model, observations, start, **how)
    kept, suspects, rivals, shifts = np.arange(len(observations.values)), [], [], []
    while True:
        verdicts = judge(current, _renumbered(candidates, kept, suspects), alpha, power)
        if not any(v.quotient > 1 for v in verdicts if v.candidate.detects):
            stopped = "no other value is beyond its limit"
            break
        if len(suspects) == most:
            stopped = f"{most} values are set aside, and others are still beyond their limit"
            break
        worst = verdicts[0]
        now = _original(worst, candidates)
        try:
            reduced = without(model, observations, [*suspects, now])
            rest = adjust(reduced[0], reduced[1], current.parameters, **how)
        except NotDetermined:
            stopped = f"without {worst.candidate.label} the rest does not determine the parameters"
            break
        except (NotConverged, ModelNotFinite):
            stopped = f"without {worst.candidate.label} the adjustment does not converge"
            break
        kept = reduced[2]
        suspects.append(now)
        rivals.append(tuple(v for v in verdicts[1:] if v.quotient > 1))
        shifts.append(current.parameters - rest.parameters)
        current = rest
    return Snooping(
        tuple(suspects), tuple(rivals), tuple(shifts), first, current, kept, stopped
    )


def judge(
    adjustment: Adjustment, candidates: Sequence[Candidate],
    alpha: float = ALPHA, power: float = POWER,
) -> tuple[Verdict, ...]:
    """Test every candidate, largest quotient first; those that nothing checks are left out."""
    tests = GroupTests.of(adjustment, alpha, power).test_all(
        [(c.rows, c.block, c.readings) for c in candidates])
    verdicts = [
        Verdict(candidate, test, equal_power_limit(test.dof, alpha, power))
        for candidate, test in zip(candidates, tests, strict=True) if test.dof
    ]
    return tuple(sorted(verdicts, key=lambda v: -v.quotient))


def without(
    model: Model, observations: Observations, suspects: Sequence[Verdict]
) -> tuple[Model, Observations, np.ndarray]:
    """The problem without some observations and with some readings made powerless.

    Returns
    -------
    model, observations
        For `calib.adjust.mixed_model.adjust`.
    kept : ndarray of int
        The observations that are left.
    """
    dropped = {row for suspect in suspects for row in suspect.candidate.rows}
    kept = np.array([i for i in range(len(observations.values)) if i not in dropped], int)
    block, covariances = _by_block(observations, kept)
    reading_covariance = observations.reading_covariance.copy()
    for suspect in suspects:
        b = suspect.candidate.block
        for j in suspect.candidate.readings:
            variance = reading_covariance[b, j, j] * SET_ASIDE_FACTOR**2
            reading_covariance[b, j, :] = reading_covariance[b, :, j] = 0.0
            reading_covariance[b, j, j] = variance
    reduced = Observations.build(
        observations.values[kept], block[kept], covariances, observations.readings,
        reading_covariance,
    )

    def rest(parameters, readings):
        whole = model(parameters, readings)
        return Prediction(*(array[kept] for array in
                            (whole.values, whole.by_parameters, whole.by_readings)))

    return rest, reduced, kept


def _by_block(observations, kept):
    """Block of every observation, and the covariance of what is left of every block."""
    block = np.zeros(len(observations.values), int)
    covariances = [np.zeros((0, 0))] * len(observations.readings)
    for group in observations.groups:
        block[group.rows] = group.blocks[:, None]
        for b, rows, covariance in zip(group.blocks, group.rows, group.covariance, strict=True):
            left = np.isin(rows, kept)
            covariances[b] = covariance[np.ix_(left, left)]
    return block, covariances


def _renumbered(candidates, kept, suspects):
    """The candidates in terms of the rows that are left, without those that are used up."""
    position = {row: i for i, row in enumerate(kept)}
    gone = {(s.candidate.block, j) for s in suspects for j in s.candidate.readings}
    left = []
    for candidate in candidates:
        readings = tuple(j for j in candidate.readings if (candidate.block, j) not in gone)
        rows = tuple(position[row] for row in candidate.rows if row in position)
        if (rows or readings) and len(readings) == len(candidate.readings):
            left.append(replace(candidate, rows=rows))
    return left


def _original(verdict, candidates):
    """The verdict with the candidate as the caller gave it."""
    return replace(verdict, candidate=next(c for c in candidates
                                           if c.label == verdict.candidate.label))
