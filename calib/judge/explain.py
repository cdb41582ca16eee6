"""Which mistake explains a run that does not fit.

Explanations are ranked by Schwarz's criterion with prior odds (BIC; G. Schwarz, Annals of
Statistics 6 (1978) 461-464; R. E. Kass and A. E. Raftery, J. American Statistical Association 90
(1995) 773-795, who call a difference above 10 very strong; both from memory):

    score = chi2 / s2 + k ln n - 2 ln(odds)

with k the numbers the explanation takes from the data, n the shot coordinates, and s2 the variance
factor of the best explanation, at least 1, so that too small sds do not make small differences
look large. The prior odds are ours, without a source: that nothing is wrong one half, that single
values are wrong one quarter, the rest shared equally among the families of mistakes and within a
family among its members.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2 as chi_square

from calib.adjust.mixed_model import ModelNotFinite, NotConverged
from calib.adjust.quick import Look, look
from calib.adjust.spectrum import NotDetermined
from calib.calibration import Solution, problem_of, solve
from calib.judge.mistakes import Mistake, tape_mistakes, whole_run_mistakes
from calib.judge.placement_mistakes import height_bias, swing_of
from calib.judge.pose_mistakes import (
    corners_of_pose,
    exchanged_poses,
    labels_of_pose,
    late_labels,
    moved_between,
    pairs_of,
)
from calib.judge.set_aside import without
from calib.judge.suspects import Suspects, find_suspects
from calib.run.complaints import InputError
from calib.run.records import Run

#: Score differences: claimed above the first, not told apart below the second.
CLAIMED, ALIKE = 10.0, 6.0

#: Families of mistakes that share the last quarter of the prior odds.
FAMILIES = 14

_AS_IT_IS, _SINGLE_VALUES = 0.5, 0.25

#: A pose is looked at by itself if its mean square misclosure is beyond this.
_OUT = 12.0

#: A run whose quick fit has a variance factor beyond this is not solved as it is.
_SOLVABLE = 1e4

#: Explanations further than this behind the best, or with a larger variance factor than that,
#: stay as the quick fit left them.
_SETTLED, _WORTH_SOLVING = 40.0, 30.0

#: A quick fit whose mean square stays above this is not worth more steps.
_WORTH_MORE_STEPS = 300.0

#: Moments at which a machine may have moved that are tried one by one.
_MOST_MOMENTS = 60

#: The family of the explanation that no mistake was made but some values are wrong.
SINGLE_VALUES = "single values"


@dataclass(frozen=True)
class Ranked:
    """An explanation and how well it does; `mistake` is None for the run as it is."""

    mistake: Mistake | None
    chi2: float
    dof: int
    score: float

    @property
    def variance_factor(self) -> float:
        return self.chi2 / self.dof if self.dof > 0 else np.nan


@dataclass(frozen=True)
class Explanation:
    """What was found.

    Attributes
    ----------
    fits : bool
        The run fits as it is; nothing was looked for.
    as_it_is : Ranked
    ranked : tuple of Ranked
        Best first, the run as it is included.
    suspects : Suspects or None
        Single values that do not fit, where most of the run does.
    looked_at : int
        Number of explanations tried.
    rest : Explanation or None
        Of the run without the suspects, where neither they nor a mistake explain it alone.
    """

    fits: bool
    as_it_is: Ranked
    ranked: tuple[Ranked, ...]
    suspects: Suspects | None
    looked_at: int
    rest: "Explanation | None" = None

    @property
    def single_values(self) -> Ranked | None:
        """The explanation that single values are wrong, if it is the best and the rest fits."""
        best = self.ranked[0] if self.ranked else None
        if best is None or best.mistake is None or best.mistake.family != SINGLE_VALUES:
            return None
        return best if _by_chance(best) else None

    @property
    def claimed(self) -> Ranked | None:
        """The best explanation, if it is a mistake and clearly better than none."""
        best = self.ranked[0] if self.ranked else None
        if best is None or best.mistake is None or best.mistake.family == SINGLE_VALUES:
            return None
        return best if self.as_it_is.score - best.score > CLAIMED else None

    @property
    def rivals(self) -> tuple[Ranked, ...]:
        """Other mistakes that these shots cannot tell from the claimed one."""
        if self.claimed is None:
            return ()
        return tuple(r for r in self.ranked[1:] if r.mistake is not None
                     and r.mistake.family != SINGLE_VALUES
                     and r.score - self.claimed.score < ALIKE)

    @property
    def still_bad(self) -> bool:
        """Whether the claimed explanation leaves a misfit that chance does not."""
        best = self.claimed
        return best is not None and not _by_chance(best)


def _by_chance(ranked: Ranked) -> bool:
    """Whether chance alone makes a misfit as large."""
    return bool(chi_square.sf(ranked.chi2, ranked.dof) >= 1e-3)


def explain(run: Run) -> Explanation:
    """Look for the mistake that makes a run not fit; changes nothing."""
    found = _explained(run)
    suspects = found.suspects
    if (found.fits or found.claimed or found.single_values or suspects is None
            or not suspects.beyond_chance):
        return found
    rest = _explained(without(run, suspects.aside))
    explains = rest.claimed is not None and not rest.still_bad
    return replace(found, rest=rest if explains else None,
                   looked_at=found.looked_at + rest.looked_at)


def _explained(run):
    search = _Search(run)
    if search.fits:
        as_it_is = search.scored(1.0)[0]
        return Explanation(True, as_it_is, (as_it_is,), search.suspects, 1)
    search.try_all(whole_run_mistakes(run))
    search.try_poses()
    search.try_placements()
    search.try_tape()
    search.settle()
    s2 = max(1.0, min(t.chi2 / max(t.dof, 1) for t in search.tried))
    ranked = sorted(search.scored(s2), key=lambda r: r.score)
    as_it_is = next(r for r in ranked if r.mistake is None)
    return Explanation(False, as_it_is, tuple(ranked), search.suspects, len(search.tried))


@dataclass(frozen=True)
class _Tried:
    mistake: Mistake | None
    chi2: float
    dof: int
    free: int
    odds: float


class _Search:
    """One search; collects what was tried."""

    def __init__(self, run: Run):
        self.run = run
        self.n = 3 * len(run.shots)
        self.dof = _dof(run)
        self.robust = _looked(run, robust=True)
        self.poses = [int(p) for p in np.unique(run.shots.pose)]
        self.out = self._poses_out()
        self.few_out = len(self.out) <= max(2, len(self.poses) // 3)
        seen = _looked(run)
        near = seen.chi2 < _SOLVABLE * max(self.dof, 1)
        self.base = _solved(run) if near and self.few_out else None
        chi2 = seen.chi2 if self.base is None else self.base.adjustment.chi2
        self.tried = [_Tried(None, chi2, self.dof, 0, _AS_IT_IS)]
        self.suspects = None if self.base is None else find_suspects(self.base)
        self._try_single_values()

    @property
    def fits(self) -> bool:
        """The global test passes and nothing is out by more than chance."""
        if self.base is None or self.dof <= 0:
            return False
        clean = not self.suspects.beyond_chance
        return clean and bool(chi_square.sf(self.base.adjustment.chi2, self.dof) > 0.025)

    def try_all(self, mistakes: Sequence[Mistake], members: int | None = None) -> list[_Tried]:
        """Fit each quickly; the members of a family share its odds."""
        new = []
        for mistake in mistakes:
            changed = mistake.apply(self.run)
            alike = members or sum(m.family == mistake.family for m in mistakes)
            lost = self.n - 3 * len(changed.shots)
            new.append(_Tried(mistake, _looked(changed).chi2, _dof(changed) - mistake.free,
                              mistake.free + lost, self._share(alike)))
        self.tried += new
        return new

    def try_poses(self):
        """Mistakes about single poses, for poses that are out where most are not."""
        if not self.few_out:
            return
        run, out, count = self.run, self.out[:6], len(self.poses)
        pairs = pairs_of(out)
        if len(out) == 1:
            pairs = [(out[0], p) for p in self.poses if p != out[0]]
        self.try_all(exchanged_poses(run, pairs), count * (count - 1) // 2)
        self.try_all(corners_of_pose(run, out), count)
        self.try_all(labels_of_pose(run, out), count)
        for pose in out:
            self._try_height(run.shots.pose == pose, f"the shots of pose {run.poses.ids[pose]}",
                             count)

    def try_placements(self):
        """A machine that moved, swung or was labelled late; a pole height from some pose on."""
        run = self.run
        self._coarse_to_fine(late_labels(run))
        tried = self._coarse_to_fine(moved_between(run))
        for best in sorted(tried, key=lambda t: t.chi2)[:2]:
            later = best.mistake.poses
            self._try_heights_from(later, 2 * len(tried))
            swing = swing_of(run, best.mistake) if best.chi2 < 100 * best.dof else None
            if swing is not None:
                consistency, mistake = swing
                self.tried.append(_Tried(mistake, best.chi2 + consistency, best.dof + 2,
                                         mistake.free, self._share(len(tried))))
        targets = np.unique(run.shots.target)
        for target in targets if len(targets) > 1 else ():
            self._try_height(run.shots.target == target,
                             f"the shots at {run.rig.target_names[target]}", len(targets))

    def try_tape(self):
        """Taped values that stand against the shots, or far from what the rig starts from."""
        rows = _odd_tape(self.run, self.base)
        self.try_all(tape_mistakes(self.run, rows), 10 * max(1, len(self.run.tape.quantities)))

    def settle(self):
        """Solve the best few properly: quick fits stop a little short of the minimum."""
        best = sorted(self.scored(1.0), key=lambda r: r.score)[:4]
        for ranked in best:
            mistake = ranked.mistake
            if (mistake is None or mistake.family in (SINGLE_VALUES, "swung")
                    or ranked.score - best[0].score > _SETTLED
                    or ranked.chi2 > _WORTH_SOLVING * ranked.dof):
                continue
            solution = _solved(mistake.apply(self.run))
            if solution is not None:
                i = next(i for i, t in enumerate(self.tried) if t.mistake is mistake)
                self.tried[i] = replace(self.tried[i], chi2=solution.adjustment.chi2)

    def scored(self, s2: float) -> list[Ranked]:
        """All that was tried, with scores at the variance factor `s2`."""
        return [
            Ranked(t.mistake, t.chi2, t.dof,
                   t.chi2 / s2 + t.free * np.log(self.n) - 2 * np.log(t.odds))
            for t in self.tried
        ]

    def _coarse_to_fine(self, mistakes):
        """Try all, or of very many one in so many and then those about the best."""
        step = -(-len(mistakes) // _MOST_MOMENTS)
        if step <= 1:
            return self.try_all(mistakes)
        tried = self.try_all(mistakes[::step], len(mistakes))
        best = step * int(np.argmin([t.chi2 for t in tried]))
        about = [m for i, m in enumerate(mistakes) if 0 < abs(i - best) < step]
        return tried + self.try_all(about, len(mistakes))

    def _try_height(self, mask, words, members):
        found = height_bias(self.run, mask, words)
        if found is not None:
            seen, mistake = found
            # A height left on is more often seen than one taken off twice (no source).
            members = members if "high" in mistake.says else 10 * members
            self.tried.append(_Tried(mistake, seen.chi2, self.dof - 1, 1, self._share(members)))

    def _try_heights_from(self, later, members):
        """Later poses too high, or the earlier ones of that stand: the sign tells which."""
        run = self.run
        stand = run.poses.stand[later[0]]
        here = [p for p in self.poses if run.poses.stand[p] == stand]
        for poses in (list(later), [p for p in here if p not in later]):
            words = f"the shots of poses {run.poses.ids[poses[0]]} to {run.poses.ids[poses[-1]]}"
            self._try_height(np.isin(run.shots.pose, poses), words, members)

    def _try_single_values(self):
        """The explanation that a few values, or whole poses, are simply wrong."""
        run = self.run
        if self.suspects is not None and self.suspects.beyond_chance:
            wrong = self.suspects.beyond_chance
            names, free = [s.name for s in wrong], sum(s.dof for s in wrong)
            candidates = len(run.shots) + run.poses.readings.size
            rest = self._chi2_without_suspects()
        elif self.suspects is None and self.out and self.few_out:
            keep = ~np.isin(run.shots.pose, self.out)
            names, free = [f"pose:{run.poses.ids[p]}" for p in self.out], 3 * int((~keep).sum())
            candidates = len(self.poses)
            rest = _looked(replace(run, shots=run.shots.select(keep))).chi2
        else:
            return
        mistake = Mistake(
            SINGLE_VALUES, f"Single values are wrong: {', '.join(names)}.",
            "Measure them again, or set them aside.", lambda run: run)
        odds = _SINGLE_VALUES * candidates ** -float(len(names))
        self.tried.append(_Tried(mistake, rest, self.dof - free, free, odds))

    def _chi2_without_suspects(self):
        """Solved properly: a quick fit does not get to where a reading was far out."""
        try:
            return self.suspects.without.adjustment.chi2
        except (InputError, NotConverged, NotDetermined, ModelNotFinite):
            return _looked(without(self.run, self.suspects.aside)).chi2

    def _share(self, members):
        return (1 - _AS_IT_IS - _SINGLE_VALUES) / FAMILIES / max(members, 1)

    def _poses_out(self):
        """Poses that are out in the robust fit, worst first."""
        seen = self.robust
        mean_square = seen.block_chi2 / np.maximum(seen.block_size, 1)
        typical = max(1.0, float(np.median(mean_square[seen.block_size > 0])))
        return [int(p) for p in np.argsort(-mean_square) if mean_square[p] > _OUT * typical]


def _looked(run, robust=False) -> Look:
    problem = problem_of(run)
    give_up = np.inf if robust else _WORTH_MORE_STEPS * len(problem.observations.values)
    return look(problem, problem.observations, problem.start, prior=problem.prior,
                held=problem.held, give_up=give_up, robust=robust)


def _solved(run) -> Solution | None:
    try:
        return solve(run)
    except (InputError, NotConverged, NotDetermined, ModelNotFinite):
        return None


def _dof(run):
    problem = problem_of(run)
    return (len(problem.observations.values) + len(problem.prior.values)
            - int((~problem.held).sum()))


def _odd_tape(run, base):
    """Rows of the tape whose value is far from the rig's start, or that the shots contradict."""
    start = dict(zip(run.rig.parameter_names, run.rig.start, strict=True))
    rows = set()
    for i, (name, value) in enumerate(zip(run.tape.quantities, run.tape.value, strict=True)):
        usual = start.get(name)
        if usual and abs(usual) > 0.05 and not 0.5 < value / usual < 2.0:
            rows.add(i)
    if base is not None:
        taped, adjustment = base.problem.n_taped, base.adjustment
        sd = np.sqrt(np.diag(adjustment.prior.covariance))[:taped]
        pull = np.abs(adjustment.prior_residuals[:taped]) / sd
        used = [run.tape.quantities.index(name) for name in adjustment.prior.names[:taped]]
        rows |= {used[i] for i in np.argsort(-pull)[:4] if pull[i] > 3.0}
    return sorted(rows)
