"""Data snooping: suspects set aside one at a time, until none is left, with proof.

The candidates are sets of values of any size: one observation, a vector, a whole block, a reading,
a prior value. Tests of different size are compared at equal power (B-method): the suspect is the
candidate whose test statistic is largest relative to its own limit. W. Baarda, *A Testing Procedure
for Use in Geodetic Networks*, Delft 1968; P. J. G. Teunissen, *Testing Theory: an Introduction*,
Delft University Press 2000 (detection, identification, adaptation; both from memory).

Where many values are out they hide each other. Then a robust fit says which to doubt, all of them
are set aside, and snooping goes on from there. Whatever the way, what is set aside but fits what
the rest predicts is taken back, and the search ends when no value that takes part is beyond its
limit, or names those that are.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

import numpy as np

from calib.adjust.adjustment import Adjustment
from calib.adjust.critical import ALPHA, equal_power_limit
from calib.adjust.mixed_model import NO_SOLUTION, readjust
from calib.adjust.observations import Model, Observations, Prior
from calib.adjust.reliability import Candidate, GroupTest, GroupTests
from calib.adjust.robust import reweight
from calib.adjust.unknown_errors import error_test


class Stopped(Enum):
    """Why a search ended: nothing else is beyond its limit, or the rest needs what is, or the most
    that may be set aside is."""

    PROVEN, NEEDED, MOST = "proven", "needed", "most"


#: Values with less weight in a robust fit are doubted; the next is tried where the rest of one
#: has no solution.
_DOUBTED = (0.5, 0.25, 0.1)

#: Candidates tried before the search gives up, the worst first.
_TRIES = 12

#: Several are set aside at once only where there are so many candidates for each, in blocks of
#: their own, and all are out by this share of the worst's quotient.
_FOR_EACH, _NEARLY_AS_BAD = 500, 0.3


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
    """What snooping set aside, in order, and the adjustments it began and ended with."""

    #: As tested when they were found; as at the end where a robust fit found them.
    suspects: tuple[Verdict, ...]
    at_end: tuple[Verdict, ...]  #: Per suspect, tested against what the rest predicts at the end.
    #: Shape (p,). Per suspect, the parameters with it less those without it, to first order at the
    #: end.
    shifts: tuple[np.ndarray, ...]
    #: first, final: Of everything, and without the suspects.
    first: Adjustment
    final: Adjustment
    before: tuple[Verdict, ...]  #: The tests of all candidates in `first`, worst first.
    #: What is beyond its limit in `final`, worst first: empty is the proof.
    beyond: tuple[Verdict, ...]
    stopped: Stopped
    robust: bool  #: A robust fit found them.


def snoop(
    model: Model,
    first: Adjustment,
    candidates: Sequence[Candidate],
    alpha: float = ALPHA,
    most: int | None = None,
) -> Snooping:
    """Set aside the worst candidate and solve again until none is beyond its limit.

    A candidate without which there is no solution is passed over for the next. Where that leads
    nowhere, or after `most` suspects, a robust fit is tried.

    Parameters
    ----------
    first : Adjustment
        Of everything by the model.
    alpha : float
        Of the one-dimensional test; the others follow at equal power.
    most : int, optional
        Suspects found one after the other; a third of the candidates that detect, if not given.
        A robust fit may find three times as many, as long as half of the degrees of freedom are
        left to prove it.
    """
    search = _Search(model, first, tuple(candidates), alpha)
    most = max(1, sum(c.detects for c in candidates) // 3) if most is None else most
    before = judge(first, candidates, alpha)
    end = search.from_here(_State((), first), most, before)
    if end.beyond:
        end = search.robustly(end, before, 3 * most)
    at_end = search.tested(end).aside
    shifts = tuple(error_test(end.adjustment, *v.candidate.values).shift for v in end.aside)
    return Snooping(end.aside, at_end, shifts, first, end.adjustment, before, end.beyond,
                    end.stopped, end.robust)


def judge(adjustment: Adjustment, candidates: Sequence[Candidate], alpha: float = ALPHA
          ) -> tuple[Verdict, ...]:
    """Test every candidate, largest quotient first; those that nothing checks are left out."""
    tests = GroupTests.of(adjustment).test_all([c.values for c in candidates])
    verdicts = [
        Verdict(candidate, test, equal_power_limit(test.dof, alpha))
        for candidate, test in zip(candidates, tests, strict=True) if test.dof
    ]
    return tuple(sorted(verdicts, key=lambda v: -v.quotient))


def set_aside(
    observations: Observations, prior: Prior, candidates: Sequence[Candidate]
) -> tuple[Observations, Prior]:
    """Observations and prior with the values of the candidates set aside."""
    n, readings = len(observations.values), observations.readings_aside.copy()
    rows = np.append(observations.aside, np.zeros(len(prior.values), bool)
                     if prior.aside is None else prior.aside)
    for candidate in candidates:
        rows[list(candidate.rows)] = True
        if candidate.readings:
            readings[candidate.block, list(candidate.readings)] = True
    return (replace(observations, aside=rows[:n], readings_aside=readings),
            replace(prior, aside=rows[n:]))


@dataclass(frozen=True)
class _State:
    """What is aside, as it was found, the adjustment of the rest, and what it leaves beyond."""

    aside: tuple[Verdict, ...]
    adjustment: Adjustment
    beyond: tuple[Verdict, ...] = ()
    stopped: Stopped = Stopped.PROVEN
    robust: bool = False


@dataclass(frozen=True)
class _Search:
    """A solved problem and its candidates."""

    model: Model
    first: Adjustment
    candidates: tuple[Candidate, ...]
    alpha: float

    @property
    def least_dof(self) -> int:
        """Degrees of freedom that are to be left."""
        return self.first.dof // 2

    def from_here(self, state: _State, most: int, verdicts: Sequence[Verdict] | None = None
                  ) -> _State:
        """Set aside and take back until nothing is beyond its limit, or nothing helps.

        `verdicts` are those of the state's adjustment, if they are known.
        """
        returned: set[Hashable] = set()
        while True:
            beyond = _beyond(self._judged(state) if verdicts is None else verdicts)
            verdicts = None
            if beyond and len(state.aside) < most and state.adjustment.dof > self.least_dof:
                further = self._without_the_worst(state, beyond, most)
                if further is None:
                    return replace(state, beyond=beyond, stopped=Stopped.NEEDED)
                state = further
                continue
            back = self._taken_back(state, returned)
            if back is not None:
                state = back
            elif beyond:
                return replace(state, beyond=beyond, stopped=Stopped.MOST)
            else:
                return replace(state, beyond=(), stopped=Stopped.PROVEN)

    def robustly(self, end: _State, before: Sequence[Verdict], most: int) -> _State:
        """Where the search leads from what a robust fit doubts, if that is better than `end`."""
        # Readings explain much: a robust fit that may not doubt them does better where only
        # observations are out.
        for readings in (False, True):
            doubted = self.doubted(before, readings)
            if doubted is None:
                continue
            other = self.from_here(doubted, max(most, len(doubted.aside)))
            if self.cost(other) < self.cost(end):
                other = self.tested(other)
                order = sorted(other.aside, key=lambda v: -v.quotient)
                end = replace(other, aside=tuple(order), robust=True)
        return end

    def cost(self, state: _State) -> tuple[bool, float]:
        """Whether it fails to prove its case, and chi2 plus the limits of what is set aside.

        Setting a value aside lowers the second if its statistic is beyond its limit.
        """
        limits = (v.limit for v in state.aside)
        return bool(state.beyond), state.adjustment.chi2 + sum(limits)

    def doubted(self, before: Sequence[Verdict], readings: bool) -> _State | None:
        """Everything aside that a robust fit doubts, perhaps readings; None if it fails."""
        by_label = {v.candidate.label: v for v in before
                    if v.candidate.detects and (readings or not v.candidate.readings)}
        groups = [v.candidate for v in by_label.values()]
        try:
            weights = reweight(self.model, self.first, groups)
        except NO_SOLUTION:
            return None
        for least in _DOUBTED:
            chosen = [by_label[label] for label in weights.below(least)]
            try:
                rest = self._solved(chosen, weights.parameters, weights.corrections)
            except NO_SOLUTION:
                continue
            if rest.dof >= self.least_dof:
                return _State(tuple(chosen), rest)
        return None

    def tested(self, state: _State) -> _State:
        """The state with everything aside tested against what the rest predicts."""
        return replace(state, aside=tuple(self._against_the_rest(state, v) for v in state.aside))

    def _against_the_rest(self, state: _State, verdict: Verdict) -> Verdict:
        test = error_test(state.adjustment, *verdict.candidate.values).test
        if not test.dof:
            return verdict
        return Verdict(verdict.candidate, test, equal_power_limit(test.dof, self.alpha))

    def _judged(self, state: _State) -> tuple[Verdict, ...]:
        """The verdicts on everything that is not aside."""
        gone = {v.candidate.label for v in state.aside}
        left = [c for c in self.candidates if c.label not in gone]
        return judge(state.adjustment, left, self.alpha)

    def _solved(self, aside: Sequence[Verdict], parameters: np.ndarray, corrections: np.ndarray
                ) -> Adjustment:
        observations, prior = set_aside(self.first.observations, self.first.prior,
                                        [v.candidate for v in aside])
        return readjust(self.model, self.first, observations=observations, start=parameters,
                        prior=prior, corrections=corrections)

    def _without_the_worst(self, state: _State, beyond: Sequence[Verdict], most: int
                           ) -> _State | None:
        """The state without the worst candidate that can be spared, or some at once."""
        together = self._far_apart(beyond)[: most - len(state.aside)]
        choices = [together] if len(together) > 1 else []
        for chosen in [*choices, *([v] for v in beyond[:_TRIES])]:
            aside = (*state.aside, *chosen)
            corrections = state.adjustment.corrections.copy()
            for v in chosen:
                c, first = v.candidate, len(v.candidate.rows)
                if c.readings:
                    off = v.test.bias[first : first + len(c.readings)]
                    corrections[c.block, list(c.readings)] = -off
            try:
                return _State(aside, self._solved(aside, state.adjustment.parameters, corrections))
            except NO_SOLUTION:
                continue
        return None

    def _far_apart(self, beyond: Sequence[Verdict]) -> list[Verdict]:
        """The worst and others nearly as bad in other blocks, in problems of many candidates."""
        blocks: set[Any] = set()
        chosen: list[Any] = []
        most = 1 + len(self.candidates) // _FOR_EACH
        if most == 1:
            return list(beyond[:1])
        of_row = np.full(len(self.first.linearised.raw), -1)  # no block: a prior value
        for group in self.first.observations.groups:
            of_row[group.rows] = group.blocks[:, None]
        for v in beyond:
            own: set[int | None] = {int(of_row[row]) for row in v.candidate.rows}
            own |= {v.candidate.block} if v.candidate.readings else set()
            if len(chosen) == most or v.quotient < _NEARLY_AS_BAD * beyond[0].quotient:
                break
            if not own & {*blocks, -1}:
                chosen.append(v)
                blocks |= own
        return chosen

    def _taken_back(self, state: _State, returned: set[Hashable]) -> _State | None:
        """The state with what fits the rest taken back, each once; None if there is nothing.

        A reading that no value of its block replaces is taken back too: nothing is lost by it.
        """
        tested = [error_test(state.adjustment, *v.candidate.values).test for v in state.aside]
        fit = {v.candidate.label for v, test in zip(state.aside, tested, strict=True)
               if v.candidate.label not in returned and (
                   test.statistic <= equal_power_limit(test.dof, self.alpha)
                   if test.dof else v.candidate.readings)}
        if not fit:
            return None
        aside = tuple(v for v in state.aside if v.candidate.label not in fit)
        returned |= fit
        try:
            return _State(aside, self._solved(aside, state.adjustment.parameters,
                                              state.adjustment.corrections))
        except NO_SOLUTION:
            return None


def _beyond(verdicts: Sequence[Verdict]) -> tuple[Verdict, ...]:
    """What is beyond its limit, if anything is that detects."""
    if not any(v.quotient > 1 for v in verdicts if v.candidate.detects):
        return ()
    return tuple(v for v in verdicts if v.quotient > 1)
