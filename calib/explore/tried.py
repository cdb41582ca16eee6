"""One round: all effects tried on one solution, by their scores and then by solving."""

from dataclasses import dataclass, replace

import numpy as np

from calib.adjust.critical import noncentrality
from calib.adjust.score import Family, Score
from calib.calibration import Solution, solve
from calib.chain.effects import Effect
from calib.explore.at_edge import EdgeMoves, between, first_order
from calib.explore.found import Size, Tested, Untold, Verdict
from calib.explore.trial import Trial, laid_over
from calib.judge.fits import FAILURES, passes

#: A clean run is said to ask for some effect with this probability. Over 26 to 36 effects an effect
#: of 4 sd and one number is then told by itself with a probability of 0.78 to 0.81.
RUN_LEVEL = 0.035

#: BIC differences below this do not tell two effects apart (R. E. Kass and A. E. Raftery, J.
#: American Statistical Association 90 (1995) 773-795, who call more strong; from memory).
ALIKE = 6.0

#: Solved are effects whose score is so near to being more than chance, so many at most.
_PROMISING, _MOST_SOLVED = 0.3, 12

#: How often an effect of the size that is called seen is found.
_POWER = 0.80


@dataclass(frozen=True)
class Round:
    """All effects tried on one solution."""

    tested: tuple[Tested, ...]
    solutions: dict[str, Solution]  #: Of those that were solved, by the name of the effect.
    best: Tested | None  #: What is asked for, of these that which does best.
    alike: tuple[Tested, ...]  #: Others that do about as well.
    stated: bool

    @classmethod
    def of(cls, solution: Solution) -> "Round":
        """Try everything that fits the rig."""
        trial = Trial.of(solution)
        untold = {name: _untold(trial, effect) for name, effect in trial.effects.items()
                  if not any(trial.effects[m].there for m in effect.members)}
        scores = {name: trial.test(trial.effects[name]) for name, why in untold.items()
                  if why is None}
        level = _Level.of(trial, scores)
        solutions = _solved(trial, level, scores)
        moves = EdgeMoves.of(trial)
        tested = [Tested(effect, Verdict.THERE)
                  for effect in trial.effects.values() if effect.there and len(effect.members) < 2]
        tested += [Tested(trial.effects[name], Verdict.UNTOLD, why=why)
                   for name, why in untold.items() if why is not None]
        tested += [_tested(trial, level, moves, trial.effects[name], score, solutions.get(name))
                   for name, score in scores.items()]
        best, alike = _best(tested)
        return cls(tuple(tested), solutions, best, alike, level.family.stated)


@dataclass(frozen=True)
class _Level:
    """What chance does: the tests made together, and the variance factor that they allow for."""

    family: Family
    variance_factor: float

    @classmethod
    def of(cls, trial, scores):
        """The stated sds are believed if the run fits with the effect that does most."""
        left, dof = trial.scores.chi2, trial.scores.dof
        if scores:
            most = max(scores.values(), key=lambda s: s.statistic)
            left, dof = left - most.statistic, dof - most.dof
        stated = dof <= 0 or passes(left, dof)
        family = Family(trial.scores, tuple(trial.numbers(trial.effects[n]) for n in scores),
                        stated)
        return cls(family, 1.0 if stated else left / dof)

    def chance(self, taken: float, dof: int) -> float:
        """That some effect takes so much off chi2 in a run without any."""
        scores = self.family.scores
        return self.family.chance(scores.taken_off(max(taken, 0.0), dof, self.family.stated))


def _untold(trial, effect) -> Untold | None:
    """Why the run cannot tell an effect, or one of those that it is made of."""
    for name in effect.members:
        if (why := trial.untold(trial.effects[name])) is not None:
            return why if name == effect.name else Untold(member=name)
    return trial.untold(effect)


def _solved(trial, level, scores) -> dict[str, Solution]:
    """The run solved with each effect that looks like something."""
    chances = {name: level.chance(s.statistic, s.dof) for name, s in scores.items()}
    promising = sorted((n for n in chances if chances[n] < _PROMISING),
                       key=lambda n: (chances[n], -scores[n].statistic))
    solutions, base = {}, trial.solution
    for name in promising[:_MOST_SOLVED]:
        try:
            solutions[name] = solve(replace(base.run, rig=laid_over(base.rig, [name])), base)
        except FAILURES:
            continue
    return solutions


def _tested(trial: Trial, level: _Level, moves: EdgeMoves, effect: Effect, score: Score,
            solution: Solution | None) -> Tested:
    """An effect that the run can tell, with its numbers."""
    base, added = trial.solution, trial.numbers(effect)
    names, d = [trial.names[i] for i in added], score.dof
    if solution is None:
        taken, values, covariance = score.statistic, score.values, score.covariance
        changes = first_order(trial, effect, values)
    else:
        taken = base.adjustment.chi2 - solution.adjustment.chi2
        at = [solution.rig.parameter_names.index(n) for n in names]
        start = np.array([trial.parameter(i).start for i in added])
        values, covariance = solution.parameters[at] - start, solution.covariance[np.ix_(at, at)]
        changes = between(base, solution)
    parameters = [trial.parameter(i) for i in added]
    sizes = tuple(Size(p.name, p.unit, float(p.start + v), float(sd)) for p, v, sd in zip(
        parameters, values, np.sqrt(np.diag(covariance)), strict=True))
    too_large = any(abs(v) > trial.most(effect, i) for v, i in zip(values, added, strict=True))
    coordinates, worth = 3 * len(base.run.shots), taken / level.variance_factor
    return Tested(
        effect, Verdict.TOO_LARGE if too_large and solution is not None else Verdict.NOTHING,
        sizes, taken, d, level.chance(taken, d),
        aic=2 * d - worth, bic=d * np.log(coordinates) - worth,
        edge=moves.worst(changes),
        unseen=moves.worst(first_order(trial, effect, _seen_size(level, score))),
        solved=solution is not None)


def _seen_size(level, score):
    """Values of an effect that is found in four of five runs, the most that its sds allow."""
    single = level.family.single(RUN_LEVEL)
    sizes, directions = np.linalg.eigh(score.covariance)
    found = np.sqrt(noncentrality(single, _POWER, score.dof) * level.variance_factor * sizes[-1])
    return found * directions[:, -1]


def _best(tested) -> tuple[Tested | None, tuple[Tested, ...]]:
    """What is asked for with the best criterion, and what does about as well in its place."""
    could = [t for t in tested if t.solved and t.verdict is Verdict.NOTHING and t.bic < 0]
    best = min((t for t in could if t.chance < RUN_LEVEL), key=lambda t: t.bic, default=None)
    if best is None:
        return None, ()
    alike = [t for t in could if t is not best and t.bic - best.bic < ALIKE
             and not set(best.effect.members) & set(t.effect.members)]
    return best, tuple(sorted(alike, key=lambda t: t.bic))
