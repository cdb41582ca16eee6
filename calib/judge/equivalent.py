"""Other machines that the same files fit as well: relabelled, mirrored, or described otherwise.

A set of shots seldom tells everything apart. Exchange the labels of both corners in every pose and
the same coordinates fit a machine whose edge width is negative; exchange the readings of two
inclinometers in the boom plane and they fit a machine with the two lengths exchanged; turn the
zero of an encoder by half a turn and negate what lies across its axis, and nothing has changed
but the words. Such discrete symmetries are found by trying, so that any rig has its own: each
relabelling is applied to the run, the machine is looked for from where the relabelling suggests,
and what fits the shots as well as the machine at hand is kept. Tape and starting values take no
part in that: what they say comes after, as it may be all that tells two machines apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from calib.adjust.observations import Prior
from calib.adjust.quick import Look, looks
from calib.calibration import problem_of, starting_parameters
from calib.judge.belief import belief_prior, difference, disbelief
from calib.judge.relabelling import Relabelling, half_turned, relabellings, zero_of
from calib.layout import RIG
from calib.machine import prior_of
from calib.run.records import Run, Tape
from calib.side_by_side import SideBySide
from calib.stations import joined

#: A machine fits as well if its chi2, over the variance factor, is not larger by more than this:
#: R. E. Kass and A. E. Raftery, J. American Statistical Association 90 (1995) 773-795, call a
#: difference above 10 very strong (from memory).
AS_WELL = 10.0

#: A run with a variance factor beyond this fits no machine: only one that does fit is of interest.
MISFIT = 25.0

#: A difference is one that a tape could see: this many of its sds, or, of what nobody tapes, this
#: much (m or rad). And it is more than this many sds of the solution.
SEEN_BY_TAPE, SEEN, SEEN_IN_SDS = 3.0, {"m": 0.03, "deg": np.radians(1.0)}, 3.0

#: Steps of the first look, and how far above the machine at hand it may end to be looked at again.
_STEPS, _NEAR = 4, 10.0

#: Poses that are looked at: more do not tell symmetries apart any better.
_MOST_POSES = 40


@dataclass(frozen=True)
class Equivalent:
    """A machine that the shots fit as well as the one at hand."""

    #: None for the same labels: the same machine, described otherwise.
    relabelling: Relabelling | None
    #: The zero that is half a turn away from where the relabelling would have it.
    turned: str | None
    #: parameters, sd: shape (p,). With the tape and the belief in starting values in force, m or
    #: rad; sd 0 where held.
    parameters: np.ndarray
    sd: np.ndarray
    #: Shape (p,). The machine at hand with the same beliefs: they only matter to what the shots
    #: leave open.
    own: np.ndarray
    without_tape: np.ndarray  #: Shape (p,). What the shots alone say of the other machine.
    #: chi2 of the shots alone less that of the machine at hand, over the variance factor.
    excess: float
    #: Shape (p,). The same of the belief in starting values, per parameter.
    start_excess: np.ndarray
    tape_excess: float  #: And what the tape adds.
    differs: tuple[str, ...]  #: Parameters that differ by what a tape could see, most seen first.


def equivalents(run: Run, parameters: np.ndarray) -> tuple[Equivalent, ...]:
    """The machines that the shots of a run fit as well as a given one; solves nothing fully.

    Parameters
    ----------
    parameters : ndarray, shape (p,)
        Of the machine at hand, m or rad: a solution, or the best that is known.

    Returns
    -------
    tuple of Equivalent
        Only machines that differ by something a tape could see; in the order of the relabellings.
        Of a run that fits no machine as it is, only those that it does fit.
    """
    run = _thinned(run)
    made, at, rig = relabellings(run), np.asarray(parameters, float), run.rig
    search = _Search.of(run, [relabelling.apply(run) for relabelling in made], at)
    starts = [at] if search.fits else [at, np.where(rig.held, at, starting_parameters(run))]
    cases = [_Case(number, way, None, way.start(start)) for number, way in enumerate(made, 1)
             for start in starts]
    if search.fits:
        cases += [_Case(0, None, j, at) for j in range(len(rig.readings))
                  if zero_of(rig, j) is not None]
    best: dict[tuple[int, int | None], tuple[_Case, Look]] = {}
    for case, look in sorted(search.near(cases), key=lambda found: found[1].chi2):
        best.setdefault((case.run, case.turned), (case, look))
    found = [*best.values()]
    told = [*zip(found, search.equivalents(found), strict=True)]
    # Relabelled machines in the other words.
    again = search.near([
        _Case(case.run, case.relabelling, itself.turned, look.parameters)
        for (case, look), other in told if case.run and other is not None
        for itself, here in found if not itself.run and not _allowed_only(rig, look, here)])
    told += zip(again, search.equivalents(again), strict=True)
    # Each relabelling, the same turned, and at the end the machine at hand turned.
    told.sort(key=lambda one: (one[0][0].run or len(made) + 1,
                               -1 if one[0][0].turned is None else one[0][0].turned))
    return tuple(other for _, other in told if other is not None)


def _allowed_only(rig, one, other):
    """Whether a range allows a value of one machine and bars that of the other."""
    return any(p.allows(a) and not p.allows(b) for p, a, b in zip(
        rig.parameters, one.parameters, other.parameters, strict=True))


def _thinned(run):
    """The run with at most `_MOST_POSES` poses, all of them shot, in equal shares of its stands."""
    shot = np.unique(run.shots.pose)
    if len(shot) > _MOST_POSES:
        by_stand = np.array(sorted(shot.tolist(), key=lambda p: (run.poses.stand[p], p)))
        shot = np.sort(by_stand[np.linspace(0, len(shot) - 1, _MOST_POSES).astype(int)])
    shots = run.shots.select(np.isin(run.shots.pose, shot))
    shots = replace(shots, pose=np.searchsorted(shot, shots.pose))
    return replace(run, poses=run.poses.select(shot), shots=shots)


class _Case(NamedTuple):
    """A run of the search, how it is relabelled, and about where its machine is looked for."""

    run: int
    relabelling: Relabelling | None
    turned: int | None  #: The reading whose zero is half a turn from where it is in `at`.
    at: np.ndarray


@dataclass(frozen=True)
class _Search:
    """The machine at hand, how well it fits, and all runs that are searched: the first its own.

    How well: the shots alone, and with all that is known. The runs have no tape; what other shots
    say of the machine stands beside them.
    """

    run: Run
    parameters: np.ndarray
    runs: SideBySide
    beside: Prior
    known: Prior
    dof: int

    @classmethod
    def of(cls, run, relabelled, parameters):
        problem = problem_of(run)
        known = joined(problem.prior, belief_prior(problem))
        dof = max(1, len(problem.observations.values) - int((~problem.held).sum()))
        alone = problem_of(replace(run, tape=Tape.none(), machine=None))
        beside = joined(alone.prior, prior_of(
            run.machine, run.rig, alone.layout.columns(RIG, "")))
        runs = [alone, *map(alone.relabelled, relabelled)]
        return cls(run, parameters, SideBySide(runs), beside, known, dof)

    def looks(self, runs: Sequence[int], starts: Sequence[np.ndarray], known: Prior | None = None,
              steps: int = 15) -> list[Look]:
        """Minima near rig parameters, by the shots of some runs or with what is known besides.

        Their parameters are those of the rig.
        """
        if not len(runs):
            return []
        which, problems = np.array(runs), self.runs.problems
        found = looks(lambda some, x, readings: self.runs(which[some], x, readings),
                      [problems[number].observations for number in runs],
                      self.runs.starts(which, np.array(starts)), prior=known or self.beside,
                      held=problems[0].held, steps=steps)
        return [replace(look, parameters=problems[0].parameters(look.parameters))
                for look in found]

    @cached_property
    def alone(self) -> float:
        """chi2 of the machine at hand by its shots alone."""
        return self.looks([0], [self.parameters])[0].chi2

    @cached_property
    def informed(self) -> Look:
        """The machine at hand with all that is known."""
        return self.looks([0], [self.parameters], self.known)[0]

    @property
    def fits(self) -> bool:
        return self.alone <= MISFIT * self.dof

    def near(self, cases: Sequence[_Case]) -> list[tuple[_Case, Look]]:
        """Where the shots alone lead in some cases, of those that they then fit as well.

        And whose zero is still about half a turn off: not walked back.
        """
        rig, runs = self.run.rig, [case.run for case in cases]
        looks = self.looks(runs, [case.at if case.turned is None
                                  else half_turned(rig, case.at, case.turned) for case in cases],
                           steps=_STEPS)
        near = [at.chi2 < _NEAR * max(self.alone, self.dof) for at in looks]
        again = [i for i, at in enumerate(looks)
                 if near[i] and at.chi2 - self.alone > AS_WELL * self._scale(at.chi2)]
        further = self.looks([runs[i] for i in again], [looks[i].parameters for i in again])
        for i, at in zip(again, further, strict=True):
            looks[i] = at

        def turned(case, at):
            off = difference(rig, at.parameters, case.at)
            return case.turned is None or abs(off[zero_of(rig, case.turned)]) > np.pi / 2

        return [(case, at) for case, at, is_near in zip(cases, looks, near, strict=True)
                if is_near and (self.fits or at.chi2 <= MISFIT * self.dof)
                and at.chi2 - self.alone <= AS_WELL * self._scale(at.chi2) and turned(case, at)]

    def equivalents(self, found: Sequence[tuple[_Case, Look]]) -> list[Equivalent | None]:
        """With what the tape says of each; None where there is no difference to see."""
        informed = self.looks([case.run for case, _ in found],
                              [look.parameters for _, look in found], self.known)
        return [self._equivalent(*one, at) for one, at in zip(found, informed, strict=True)]

    def _equivalent(self, case, machine, informed):
        run, layout = self.run, self.runs.problems[0].layout
        alone, values, own = machine.parameters, informed.parameters, self.informed.parameters
        scale = self._scale(machine.chi2)
        excess = (machine.chi2 - self.alone) / scale
        start = (disbelief(run, values) - disbelief(run, own)) / scale
        total = (informed.chi2 - self.informed.chi2) / scale
        variance = np.diag(np.linalg.pinv(informed.normal, hermitian=True))
        sd = np.zeros(len(values))
        sd[~run.rig.held] = np.sqrt(np.maximum(
            variance[layout.among_free(layout.columns(RIG))], 0.0))
        # Where the tape is against it, the shots alone say what it would be.
        told = total - start.sum() > AS_WELL
        size = np.abs(difference(run.rig, alone if told else values,
                                 self.parameters if told else own))
        least = np.array([SEEN[p.unit] if p.tape_sd is None else SEEN_BY_TAPE * p.tape_sd
                          for p in run.rig.parameters])
        differs = tuple(run.rig.parameter_names[i] for i in np.argsort(-size / least)
                        if size[i] > max(least[i], SEEN_IN_SDS * sd[i]))
        if not differs:
            return None
        zero = None if case.turned is None else run.rig.readings[case.turned].zero
        return Equivalent(case.relabelling, zero, values, sd, own, alone, float(excess),
                          start, float(total - excess - start.sum()), differs)

    def _scale(self, chi2):
        return max(1.0, min(chi2, self.alone) / self.dof)
