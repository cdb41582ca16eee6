"""Every explanation of one run, fitted: quickly all, properly those that matter."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations

import numpy as np

from calib.adjust.quick import Look
from calib.calibration import Problem, Solution, problem_of
from calib.edge import envelope_edge
from calib.judge import added, pose_mistakes
from calib.judge.added_numbers import all_added, scores_of
from calib.judge.belief import disbelief
from calib.judge.column_mistakes import UNITS, changes_of, mistake_in
from calib.judge.facts import Both, Fact, HeightsOff, Misbooked, SingleValues
from calib.judge.fits import FAILURES, dof_of, mean_squares, passes, quick_fit, solved
from calib.judge.misbooked import misbooked, rebooked
from calib.judge.mistakes import (
    Mistake,
    heights_missing,
    shot_poses,
    tape_factors,
    taped_wrong,
    without_taped,
)
from calib.judge.partial import partial_mistakes
from calib.judge.set_aside import without
from calib.judge.suspects import Suspects, find_suspects, set_aside_of
from calib.run.records import Run
from calib.taped import taped_quantities

#: The family of the explanation that no mistake was made but some values are wrong.
SINGLE_VALUES = "single values"

#: A pose is looked at by itself if its mean square misclosure is beyond this.
OUT = 12.0

#: Most of a run fits if the typical mean square of its poses is below this.
_MOST_FIT = 6.0

#: A run whose quick fit has a variance factor beyond this is not solved as it is.
_SOLVABLE = 1e4

#: Moments at which a machine may have moved that are tried one by one.
_MOST_MOMENTS = 60

#: Explanations further than this behind the best stay as the quick fit left them, and so do those
#: whose variance factor is beyond that; so many are solved.
_SETTLED, _WORTH_SOLVING, _MOST_SOLVED = 40.0, 30.0, 8

#: Added numbers that are fitted: the strongest of all, and of each family.
_MOST_ADDED, _OF_A_FAMILY = 6, 3

#: The edge may be known this many times worse without the values set aside.
_WORSE_EDGE = 2.0

#: Of so many shots that are out each two are tried exchanged, at most.
_SHOTS_OUT = 8

#: More than this share of the shots is no longer a matter of single values.
_MOST_SINGLE = 1 / 6


@dataclass(frozen=True)
class Tried:
    """An explanation with its fit; `mistake` is None for the run as it is."""

    mistake: Mistake | None
    run: Run  #: With the mistake undone.
    chi2: float
    dof: int
    free: int  #: Numbers taken from the data, observations given up included.
    odds: float  #: Prior odds.
    quick: bool = True  #: `chi2` is that of a quick fit.
    score: float = np.nan  #: As `calib.judge.explain` has it; see `ranked`.

    @property
    def passes(self) -> bool:
        """The run that it leaves passes the global test."""
        return passes(self.chi2, self.dof)

    @property
    def variance_factor(self) -> float:
        return self.chi2 / self.dof if self.dof > 0 else np.nan


def ranked(tried: Iterable[Tried], s2: float, n: int) -> list[Tried]:
    """Explanations with their scores at a variance factor, of so many coordinates; best first."""
    return sorted((replace(t, score=float(t.chi2 / s2 + t.free * np.log(n) - 2 * np.log(t.odds)))
                   for t in tried), key=lambda t: t.score)


class Search:
    """All single explanations of a run; without those of some poses if not `partial`."""

    def __init__(self, run: Run, partial: bool = True):
        self.partial = partial
        self.run, self.n = run, 3 * len(run.shots)
        problem = self.problem = problem_of(run)
        self.dof = dof_of(problem)
        self.poses = shot_poses(run)
        self.robust = quick_fit(problem, robust=True)
        self.out = self._poses_out()
        typical = np.median(mean_squares(self.robust)[self.poses])
        self.few_out = typical < _MOST_FIT and len(self.out) <= max(2, len(self.poses) // 3)
        seen = self.seen = quick_fit(problem)
        self.base: Solution | None = None
        if seen.chi2 < _SOLVABLE * max(self.dof, 1):
            self.base = solved(run)
        chi2 = seen.chi2 if self.base is None else self.base.adjustment.chi2
        self.as_it_is = Tried(None, run, chi2, self.dof, 0, added.AS_IT_IS, self.base is None)
        self.tried = [self.as_it_is]

    @cached_property
    def suspects(self) -> Suspects | None:
        """Single values that do not fit, where most of the run does."""
        if self.base is None or not self.few_out:
            return None
        try:
            return find_suspects(self.base)
        except FAILURES:
            return None

    @cached_property
    def systematic(self) -> list[added.Score]:
        """Added numbers that are real by their own tests, whether or not the run passes."""
        return [] if self.base is None else added.beyond_chance(scores_of(self.base))

    @property
    def passes(self) -> bool:
        """The run as it is passes the global test."""
        return self.base is not None and self.as_it_is.passes

    @property
    def fits(self) -> bool:
        """It passes, no value is out by more than chance, and no added number is real."""
        return self.passes and not self._wrong and not self.systematic

    @property
    def _wrong(self):
        """Suspects beyond chance."""
        return () if self.suspects is None else self.suspects.beyond_chance

    @cached_property
    def _without_poses_out(self):
        """The run without the few poses that are out, where no single value can be told."""
        if self.suspects is not None or not self.out or not self.few_out:
            return None
        return replace(self.run, shots=self.run.shots.select(
            ~np.isin(self.run.shots.pose, self.out)))

    def try_everything(self) -> None:
        """All explanations, the best of them solved properly."""
        self._try_single_values()
        out = () if self.suspects is None else np.flatnonzero(self.suspects.shot_mask)[:_SHOTS_OUT]
        count = len(self.run.shots)
        self._try_all(pose_mistakes.exchanged_shots(self.run, out), count * (count - 1) // 2)
        if not self._something_fits:
            self._try_misbooked()
        changes = changes_of(self.run)
        every = np.ones(len(self.run.poses.ids), bool)
        whole = [mistake_in(self.run, change, every) for change in changes]
        self._try_all([*heights_missing(self.run), *(m for m in whole if m is not None)])
        self._try_tape()
        if self.passes or not self._something_fits:
            self._try_poses()
            self._try_placements()
            self._try_added()
        if self.partial and not self.passes and not any(
                t.passes and t.mistake is not None and t.mistake.family != SINGLE_VALUES
                for t in self.tried):
            self._try_partial(changes)
        self._settle()

    @property
    def _something_fits(self):
        """A mistake that takes no number from the data is enough: those that do come behind it."""
        return any(t.passes and t.mistake is not None and t.free == 0 for t in self.tried)

    def _try_all(self, mistakes: Iterable[Mistake], members: float | None = None) -> list[Tried]:
        """Fit each quickly; the members of a family share its odds."""
        mistakes, new = list(mistakes), []
        for mistake in mistakes:
            alike = members or sum(m.family == mistake.family for m in mistakes)
            changed = mistake.apply(self.run)
            if len(changed.shots):
                problem = problem_of(changed)
                fit = quick_fit(problem)
                if (mistake.family == UNITS and mistake.every_shot
                        and not self._as_credible(problem, fit)):
                    continue
                new.append(self._tried(mistake, problem, fit.chi2, alike))
        self.tried += new
        return new

    def _as_credible(self, changed: Problem, fit: Look) -> bool:
        """Whether a machine of another size is one that is as likely before anything is measured.

        Every misfit of the shots shrinks with their unit: that is no reason for another one.
        """
        there, here = (disbelief(problem.run, problem.parameters(look.parameters)).sum()
                       for problem, look in ((changed, fit), (self.problem, self.seen)))
        return bool(there <= here)

    def _tried(self, mistake, problem, chi2, members) -> Tried:
        changed = problem.run
        lost = (self.n - 3 * len(changed.shots)
                + len(self.run.tape.quantities) - len(changed.tape.quantities))
        odds = added.SHARED / added.FAMILIES / max(members, 1)
        return Tried(mistake, changed, chi2, dof_of(problem) - mistake.free, mistake.free + lost,
                     odds)

    def _try_single_values(self):
        """The explanation that a few values, or whole poses, are simply wrong.

        Not of one taped value: what is wrong with that is asked of each by itself.
        """
        run, wrong, rest = self.run, self._wrong, self._without_poses_out
        if self.suspects is not None and wrong:
            if [s.kind for s in wrong] == ["tape"]:
                return
            names, free = [s.name for s in wrong], sum(s.dof for s in wrong)
            candidates = len(run.shots) + run.poses.readings.size
            rest = without(run, self.suspects.aside)
        elif rest is not None:
            names = [f"pose:{run.poses.ids[p]}" for p in self.out]
            free, candidates = 3 * (len(run.shots) - len(rest.shots)), len(self.poses)
        else:
            return
        if len(names) > max(2, _MOST_SINGLE * len(run.shots)):
            return
        solution = solved(rest)
        if solution is None or not self._is_cure(solution):
            return
        mistake = Mistake(
            SINGLE_VALUES, SingleValues(tuple(names)), lambda run: rest, mend=lambda run: run,
            aside=tuple(names))
        odds = added.SINGLE * candidates ** -float(len(names))
        self.tried.append(Tried(mistake, rest, solution.adjustment.chi2, self.dof - free, free,
                                odds, False))

    def _try_misbooked(self):
        """Suspect shots that lie elsewhere booked there, the other suspects set aside.

        That each lies there was weighed against a blunder: there is no choice left.
        """
        booked = tuple(s.lies for s in self._wrong if s.lies is not None)
        if self._without_poses_out is not None:
            clean = solved(self._without_poses_out)
            booked = () if clean is None else tuple(misbooked(clean, self.run).values())
        if not booked:
            return
        rest = [s for s in self._wrong if s.lies is None]
        aside = set_aside_of(rest)
        fact: Fact = Misbooked(booked)
        if rest:
            fact = Both(fact, SingleValues(aside.names))

        def mend(run):
            return rebooked(run, booked)

        mistake = Mistake("booking", fact, lambda run: without(mend(run), aside), mend=mend,
                          poses=tuple(self.run.poses.ids.index(b.pose) for b in booked),
                          aside=aside.names)
        self._try_all([mistake], 1)

    def _is_cure(self, solution):
        """Nothing systematic is left behind, and the edge is known about as well as before."""
        adjustment = solution.adjustment
        if passes(adjustment.chi2, adjustment.dof) and added.beyond_chance(scores_of(solution)):
            return False
        if self.base is None or self.run.rig.envelope is None:
            return True
        before, after = (envelope_edge(s.rig, s.parameters).worst_sd(s.covariance)
                         for s in (self.base, solution))
        return not after > _WORSE_EDGE * before

    def _try_poses(self):
        """Mistakes about single poses, for poses that are out where most are not."""
        if not self.few_out:
            return
        run, out, count = self.run, self.out[:6], len(self.poses)
        pairs = list(combinations(sorted(out), 2))
        if len(out) == 1:
            pairs = [(out[0], p) for p in self.poses if p != out[0]]
        self._try_all(pose_mistakes.exchanged_poses(run, pairs), count * (count - 1) // 2)
        self._try_all(pose_mistakes.labels_of_pose(run, out), count)

    def _try_placements(self):
        """A machine that moved, swung or was labelled late."""
        run = self.run
        self._coarse_to_fine(pose_mistakes.late_labels(run))
        tried = self._coarse_to_fine(pose_mistakes.moved_between(run))
        for best in sorted(tried, key=lambda t: t.chi2)[:2]:
            if best.chi2 < 100 * best.dof and (
                    swing := pose_mistakes.swing_of(run, best.mistake)) is not None:
                consistency, mistake = swing
                self.tried.append(replace(
                    self._tried(mistake, problem_of(best.run), best.chi2 + consistency, len(tried)),
                    dof=best.dof + 2, free=mistake.free))

    def _coarse_to_fine(self, mistakes):
        """Try all, or of very many one in so many and then those about the best."""
        step = -(-len(mistakes) // _MOST_MOMENTS)
        if step <= 1:
            return self._try_all(mistakes)
        tried = self._try_all(mistakes[::step], len(mistakes))
        best = step * int(np.argmin([t.chi2 for t in tried]))
        about = [m for i, m in enumerate(mistakes) if 0 < abs(i - best) < step]
        return tried + self._try_all(about, len(mistakes))

    def _try_tape(self):
        """Each taped value left out: what the shots say in its place tells what it should be."""
        run, count = self.run, len(self.run.tape.quantities)
        for row, name in enumerate(run.tape.quantities):
            if name in run.rig.untold:  # held: leaving its tape out would hold it elsewhere
                self._try_all(tape_factors(run, row), 10 * count)
                continue
            rest = problem_of(without_taped(run, row))
            seen = quick_fit(rest)
            if seen.chi2 > self.as_it_is.chi2 - 9.0:
                continue
            parameters = rest.parameters(seen.parameters)
            shown = float(taped_quantities(run.rig, parameters, [name])[0][0])
            factors = self._try_all(tape_factors(run, row, shown), 10 * count)
            # A decimal place or a unit that says the same as the shots leaves nothing to be free.
            if not any(t.chi2 < seen.chi2 + 9.0 for t in factors):
                self._try_all([taped_wrong(run, row, shown)], count)

    def _try_added(self):
        """The added numbers whose tests are the strongest."""
        found = scores_of(self.base) if self.base is not None else added.scores(
            self.run, self.seen.parameters, None, all_added(self.run))
        found = [s for s in found if s.added.undo is not None and np.isfinite(s.statistic)]
        chosen: list[added.Score] = []
        of_family = Counter[str]()
        for score in sorted(found, key=lambda s: -s.statistic):
            of_family[score.added.family] += 1
            if len(chosen) < _MOST_ADDED or of_family[score.added.family] <= _OF_A_FAMILY:
                chosen.append(score)
        for score in chosen:
            result = added.fitted(self.run, score)
            if result is not None:
                seen, mistake = result
                # A height left on is more often seen than one taken off twice (no source).
                low = isinstance(mistake.fact, HeightsOff) and mistake.fact.by < 0
                rare = 10 if low else 1
                self.tried.append(self._tried(mistake, problem_of(mistake.apply(self.run)),
                                              seen.chi2, rare * score.added.members))

    def _try_partial(self, changes):
        """Changes made in some poses only."""
        for partial in partial_mistakes(self.run, changes):
            problem = problem_of(partial.mistake.apply(self.run))
            alike = sum(c.family == partial.mistake.family.split(",")[0] for c in changes)
            seen = quick_fit(problem, start=partial.seen.parameters)
            self.tried.append(self._tried(partial.mistake, problem, seen.chi2,
                                          alike * partial.choices))

    def _settle(self):
        """Solve the best few properly: quick fits stop a little short of the minimum."""
        self.tried = ranked(self.tried, 1.0, self.n)
        first = self.tried[0]
        for i, tried in enumerate(self.tried[:_MOST_SOLVED]):
            if (tried.mistake is None or not tried.quick or tried.mistake.family == "swung"
                    or tried.score - first.score > max(_SETTLED, first.chi2)
                    or tried.chi2 > _WORTH_SOLVING * max(tried.dof, 1)):
                continue
            solution = solved(tried.run)
            # What cannot be solved is no cure.
            chi2 = np.inf if solution is None else solution.adjustment.chi2
            self.tried[i] = replace(tried, chi2=chi2, quick=False)

    def _poses_out(self):
        """Poses that are out in the robust fit, worst first."""
        mean_square = mean_squares(self.robust)
        used = self.robust.block_size > 0
        typical = max(1.0, float(np.median(mean_square[used])))
        return [int(p) for p in np.argsort(-mean_square) if mean_square[p] > OUT * typical]
