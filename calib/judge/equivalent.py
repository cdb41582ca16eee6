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

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from calib.adjust.observations import Prior
from calib.adjust.quick import Look, look
from calib.calibration import Problem, problem_of, starting_parameters
from calib.chain.parts import Parameter
from calib.judge.belief import belief_prior, difference, disbelief
from calib.judge.relabelling import Relabelling, half_turned, relabellings, zero_of
from calib.layout import RIG
from calib.machine import prior_of
from calib.run.records import Run, Tape
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
    run : Run
    parameters : ndarray, shape (p,)
        Of the machine at hand, m or rad: a solution, or the best that is known.

    Returns
    -------
    tuple of Equivalent
        Only machines that differ by something a tape could see; in the order of the relabellings.
        Of a run that fits no machine as it is, only those that it does fit.
    """
    run = _thinned(run)
    search = _Search.of(run, np.asarray(parameters, float))
    found = []
    turns = search.half_turns()
    for relabelling in relabellings(run):
        shots = _Shots.of(relabelling.apply(run))
        machine = search.machine(shots, relabelling.start)
        other = machine and search.equivalent(relabelling, None, shots, machine)
        if other is None:
            continue
        found.append(other)
        for j, turned in search.turned(shots, machine, turns):
            found.append(search.equivalent(relabelling, run.rig.readings[j].zero, shots, turned))
    found += [search.equivalent(None, run.rig.readings[j].zero, search.shots, machine)
              for j, machine in turns.items()]
    return tuple(e for e in found if e is not None)


def seen(parameter: Parameter) -> float:
    """The least difference (m or rad) that a tape, or whoever looks, would see."""
    if parameter.tape_sd is None:
        return SEEN[parameter.unit]
    return SEEN_BY_TAPE * parameter.tape_sd


def _thinned(run):
    """The run with at most `_MOST_POSES` poses, all of them shot, in equal shares of its stands."""
    shot = np.unique(run.shots.pose)
    if len(shot) > _MOST_POSES:
        by_stand = np.array(sorted(shot.tolist(), key=lambda p: (run.poses.stand[p], p)))
        shot = np.sort(by_stand[np.linspace(0, len(shot) - 1, _MOST_POSES).astype(int)])
    poses, shots = run.poses, run.shots.select(np.isin(run.shots.pose, shot))
    poses = replace(
        poses, ids=tuple(poses.ids[p] for p in shot), stand=tuple(poses.stand[p] for p in shot),
        readings=poses.readings[shot], sd=poses.sd[shot], time=tuple(poses.time[p] for p in shot),
        line=tuple(poses.line[p] for p in shot),
        noted={name: values[shot] for name, values in poses.noted.items()})
    shots = replace(shots, pose=np.searchsorted(shot, shots.pose))
    return replace(run, poses=poses, shots=shots)


@dataclass(frozen=True)
class _Shots:
    """The shots of a run without a tape; what other shots say of the machine stands beside them."""

    problem: Problem
    known: Prior

    @classmethod
    def of(cls, run):
        problem = problem_of(replace(run, tape=Tape.none(), machine=None))
        return cls(problem, joined(problem.prior, prior_of(
            run.machine, problem.run.rig, problem.layout.columns(RIG, ""))))

    def look(self, parameters: np.ndarray, known: Prior | None = None, steps: int = 15) -> Look:
        """The minimum near `parameters`, by the shots alone or with what is known besides."""
        problem = self.problem.from_parameters(parameters)
        return look(problem, problem.observations, problem.start, prior=known or self.known,
                    held=problem.held, steps=steps)


@dataclass(frozen=True)
class _Search:
    """A run, the machine at hand, and how well it fits: the shots alone, and all that is known."""

    run: Run
    parameters: np.ndarray
    starts: tuple[np.ndarray, ...]
    shots: _Shots
    known: Prior
    alone: float
    informed: Look
    dof: int

    @classmethod
    def of(cls, run, parameters):
        problem = problem_of(run)
        known = joined(problem.prior, belief_prior(run, len(problem.start)))
        dof = max(1, len(problem.observations.values) - int((~problem.held).sum()))
        shots = _Shots.of(run)
        alone = shots.look(parameters)
        starts = (parameters,)
        if alone.chi2 > MISFIT * dof:
            starts += (np.where(run.rig.held, parameters, starting_parameters(run)),)
        informed = shots.look(parameters, known)
        return cls(run, parameters, starts, shots, known, alone.chi2, informed, dof)

    @property
    def fits(self) -> bool:
        return self.alone <= MISFIT * self.dof

    def machine(self, shots, start) -> Look | None:
        """The machine that the shots of a relabelled run fit as well, if there is one."""
        found = [self._near(shots, start(parameters)) for parameters in self.starts]
        return min(filter(None, found), key=lambda at: at.chi2, default=None)

    def half_turns(self) -> dict[int, Look]:
        """Per reading whose zero can be half a turn off: the machine described that way."""
        if not self.fits:
            return {}
        rig = self.run.rig
        solved = [j for j in range(len(rig.readings)) if zero_of(rig, j) is not None]
        near = {j: self._near(self.shots, half_turned(rig, self.parameters, j)) for j in solved}
        return {j: machine for j, machine in near.items()
                if machine is not None and self._stays_turned(j, machine, self.parameters)}

    def turned(self, shots, machine, turns) -> Iterable[tuple[int, Look]]:
        """A relabelled machine in the other words, but for words that the ranges do not allow."""
        rig = self.run.rig
        for j, here in turns.items():
            barred = [i for i, p in enumerate(rig.parameters) if not p.allows(here.parameters[i])]
            if any(rig.parameters[i].allows(machine.parameters[i]) for i in barred):
                continue
            at = self._near(shots, half_turned(rig, machine.parameters[: len(rig.parameters)], j))
            if at is not None and self._stays_turned(j, at, machine.parameters):
                yield j, at

    def _stays_turned(self, j, at, parameters):
        """Whether a zero is still about half a turn from where it was: not walked back."""
        zero = zero_of(self.run.rig, j)
        off = difference(self.run.rig, at.parameters[: len(self.parameters)],
                         parameters[: len(self.parameters)])
        return abs(off[zero]) > np.pi / 2

    def equivalent(self, relabelling, turned, shots, machine) -> Equivalent | None:
        """With what the tape says of it; None if there is no difference to see."""
        run, n = self.run, len(self.parameters)
        alone = machine.parameters[:n]
        informed = shots.look(alone, self.known)
        values, own = informed.parameters[:n], self.informed.parameters[:n]
        scale = self._scale(machine.chi2)
        excess = (machine.chi2 - self.alone) / scale
        start = (disbelief(run, values) - disbelief(run, own)) / scale
        total = (informed.chi2 - self.informed.chi2) / scale
        sd, free = np.zeros(n), ~run.rig.held
        variance = np.diag(np.linalg.pinv(informed.normal, hermitian=True))[: int(free.sum())]
        sd[free] = np.sqrt(np.maximum(variance, 0.0))
        # Where the tape is against it, the shots alone say what it would be.
        told = total - start.sum() > AS_WELL
        differs = self._differs(alone if told else values, self.parameters if told else own, sd)
        if not differs:
            return None
        return Equivalent(relabelling, turned, values, sd, own, alone, float(excess), start,
                          float(total - excess - start.sum()), differs)

    def _near(self, shots, start):
        """Where the shots alone lead, if they fit a machine near `start` as well."""
        first = shots.look(start, steps=_STEPS)
        if not first.chi2 < _NEAR * max(self.alone, self.dof):
            return None
        if first.chi2 - self.alone > AS_WELL * self._scale(first.chi2):
            first = shots.look(first.parameters[: len(self.parameters)])
        fits = self.fits or first.chi2 <= MISFIT * self.dof
        as_well = first.chi2 - self.alone <= AS_WELL * self._scale(first.chi2)
        return first if fits and as_well else None

    def _scale(self, chi2):
        return max(1.0, min(chi2, self.alone) / self.dof)

    def _differs(self, values, own, sd):
        rig = self.run.rig
        least = np.array([seen(p) for p in rig.parameters])
        size = np.abs(difference(rig, values, own))
        return tuple(rig.parameter_names[i] for i in np.argsort(-size / least)
                     if size[i] > max(least[i], SEEN_IN_SDS * sd[i]))
