"""Every effect laid over the rig of a solution at once, at zero: derivatives, and what is told."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from calib.adjust.critical import delta0
from calib.adjust.score import Score, Scores
from calib.calibration import Problem, Solution, problem_of
from calib.chain.effects import Effect, effects_of
from calib.chain.parts import Parameter
from calib.chain.rig import Rig, rig_from_dict
from calib.explore.found import Untold
from calib.layout import RIG

#: Of what takes up an effect, parameters with this share of the most are named, so many at most.
_NAMED_SHARE, _MOST_NAMED = 0.3, 3


@dataclass(frozen=True)
class Trial:
    """The effects that a solution's rig leaves out, as parameters that could be added."""

    solution: Solution
    effects: dict[str, Effect]  #: All that fit the rig, those that are there already too.
    rig: Rig  #: With all of them laid over it.
    names: tuple[str, ...]  #: Of the parameters that they add.
    scores: Scores  #: Of these parameters, in that order.

    @classmethod
    def of(cls, solution: Solution) -> "Trial":
        """Lay every effect over the rig of a solution and take the derivatives there."""
        effects = effects_of(solution.rig.definition)
        missing = [e for e in effects.values() if not e.there]
        names = tuple(dict.fromkeys(n for e in missing for n in e.parameters))
        rig = laid_over(solution.rig, [e.name for e in missing])
        problem = problem_of(replace(solution.run, rig=rig))
        at = problem.layout.columns(RIG, "")[[rig.parameter_names.index(n) for n in names]]
        columns = _derivatives(solution, problem)[:, at]
        return cls(solution, effects, rig, names, Scores.of(solution.adjustment, columns))

    def numbers(self, effect: Effect) -> tuple[int, ...]:
        """Where the parameters of an effect are among `names`."""
        return tuple(self.names.index(n) for n in effect.parameters if n in self.names)

    def test(self, effect: Effect) -> Score:
        """The score test of an effect."""
        return self.scores.test(self.numbers(effect))

    def untold(self, effect: Effect) -> Untold | None:
        """Why the run cannot tell an effect; None if it can.

        It cannot where the least size that is surely found (W. Baarda's delta0, 4.1 sd) is more
        than such machines have.
        """
        if effect.needs is not None and effect.needs not in self.solution.run.poses.noted:
            return Untold(column=effect.needs)
        score = self.test(effect)
        if not score.dof:
            return Untold(like=self.taking_up(effect))
        sd = np.sqrt(np.diag(score.covariance))
        for i, size in zip(self.numbers(effect), sd, strict=True):
            if delta0() * size > self.most(effect, i):
                return Untold(like=self.taking_up(effect), told=True)
        return None

    def most(self, effect: Effect, number: int) -> float:
        """How far a parameter of an effect can be from where it is without it, m or rad."""
        p = self.parameter(number)
        within = [self.effects[name].within for name in effect.members
                  if p.name in self.effects[name].parameters]
        return within[0] or max(p.most - p.start, p.start - p.least)

    def parameter(self, number: int) -> Parameter:
        """One of the parameters of `names`."""
        return self.rig.parameters[self.rig.parameter_names.index(self.names[number])]

    def taking_up(self, effect: Effect) -> tuple[str, ...]:
        """The parameters of the rig and the stands that move most with an effect; perhaps none."""
        adjustment = self.solution.adjustment
        size = np.zeros(len(adjustment.free))
        size[adjustment.free] = 1 / adjustment.linearised.spectrum.scale
        worst = min(self.numbers(effect), key=lambda i: self.scores.left[i])
        share = np.abs(self.scores.taken_up[:, worst]) * size
        if not share.any():
            return ()
        order = [i for i in np.argsort(-share) if share[i] > _NAMED_SHARE * share.max()]
        return tuple(adjustment.names[i] for i in order[:_MOST_NAMED])

    @cached_property
    def base_columns(self) -> np.ndarray:
        """Where the parameters of the solution's rig are among those of `rig`."""
        return np.array([self.rig.parameter_names.index(n)
                         for n in self.solution.rig.parameter_names])

    def extended(self, parameters: np.ndarray) -> np.ndarray:
        """Parameters of `rig`, from those of the solution's rig."""
        out = self.rig.start.copy()
        out[self.base_columns] = parameters
        return out


def laid_over(rig: Rig, names: Sequence[str]) -> Rig:
    """A rig with effects laid over it, their parameters behind those that are there."""
    return rig_from_dict({**rig.definition, "effects": list(names)})


def _derivatives(solution: Solution, problem: Problem):
    """Of shots and of the solution's prior values by the unknowns of `problem`, (n + q, p)."""
    adjustment = solution.adjustment
    solved = dict(zip(adjustment.names, adjustment.parameters, strict=True))
    unknowns = np.array([solved.get(name, start)
                         for name, start in zip(problem.names, problem.start, strict=True)])
    shots = problem(unknowns, solution.adjusted_readings).by_parameters
    _, by_unknowns = problem.prior.function(unknowns)
    rows = {name: i for i, name in enumerate(problem.prior.names)}
    return np.vstack([shots, by_unknowns[[rows[n] for n in solution.problem.prior.names]]])
