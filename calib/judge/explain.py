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

Ranking is not enough: the best of many wrong explanations also is the best. An explanation is
called the cause only if the run that it leaves passes the global test. If none does, every
promising one is undone and all are tried again on what is left, for a second mistake. What then
still fails is at most a part of what is wrong: it must have put right most poses. Else the tool
says that it does not know.
"""

from dataclasses import dataclass, replace

import numpy as np

from calib.calibration import solve
from calib.judge.added import ALIKE, Score
from calib.judge.facts import Both
from calib.judge.fits import looked, mean_squares, pose_costs
from calib.judge.hypotheses import SINGLE_VALUES, Search, Tried, ranked
from calib.judge.mistakes import Mistake
from calib.judge.plausible import Plausibility, plausibility
from calib.judge.suspects import Suspects
from calib.run.records import Run

#: Claimed above this difference of the scores.
CLAIMED = 10.0

#: What an explanation must take off chi-square where a test says that something is systematic.
_LEAST_GAIN = 9.0

#: Explanations that are undone to look for a second mistake, and for one of some poses only.
_BEAM, _WITH_PARTIAL = 6, 3

#: A part of what is wrong leaves this share of the poses within the limit of a pose that is not
#: out, has halved the poses that are, and made typical and total misfit so many times smaller.
_PART, _POSE_LIMIT, _SMALLER = 0.6, 12.0, 10.0


@dataclass(frozen=True)
class Explanation:
    """What was found."""

    fits: bool  #: The run fits as it is; nothing was looked for.
    as_it_is: Tried
    ranked: tuple[Tried, ...]  #: Best first, the run as it is included.
    #: The explanation that leaves a run that fits; of single values or a mistake, or of two.
    cause: Tried | None = None
    rivals: tuple[Tried, ...] = ()  #: Others that these shots cannot tell from the cause.
    part: Tried | None = None  #: Puts most of the run right, not all.
    suspects: Suspects | None = None  #: Single values that do not fit, where most of the run does.
    #: Numbers that the model lacks, of a run that passes the global test.
    systematic: tuple[Score, ...] = ()
    looked_at: int = 1  #: Number of explanations tried.
    #: Of a run that fits: whether it is the machine, or other machines fit as well.
    plausible: Plausibility | None = None

    def __repr__(self) -> str:
        best = self.cause or self.part
        found = "fits" if self.fits else "nothing explains it" if best is None \
            or best.mistake is None else best.mistake.family
        return f"<Explanation: {found}, {self.looked_at} looked at>"

    @property
    def single_values(self) -> Tried | None:
        """The cause, if it is that single values are wrong and nothing else."""
        cause = self.cause
        single = cause and cause.mistake and cause.mistake.family == SINGLE_VALUES
        return cause if single else None

    @property
    def claimed(self) -> Tried | None:
        """The cause, if it is a mistake and not just single values."""
        return self.cause if self.single_values is None else None


def explain(run: Run) -> Explanation:
    """Look for the mistake, or the two, that make a run not fit; changes nothing.

    Raises
    ------
    InputError, NotDetermined, NotConverged
        As `calib.calibration.solve`, of a run that has no misfit to explain: then that is what is
        wrong with it.
    """
    search = Search(run)
    if search.base is None and (search.as_it_is.passes or search.dof <= 0):
        solve(run)
    as_it_is = ranked(search.tried, 1.0, search.n)[0]
    if search.dof <= 0:
        return Explanation(False, as_it_is, (as_it_is,))
    if search.base is not None and search.fits:
        return Explanation(True, as_it_is, (as_it_is,), suspects=search.suspects,
                           plausible=plausibility(search.base))
    search.try_everything()
    looked_at, part = len(search.tried), None
    found = _ranked(search.tried, search.n)
    cause = _chosen(search, found)
    if cause is not None:
        cause, more = _with_what_is_left(cause)
        looked_at += more
    elif not search.passes:
        pairs, more = _pairs(search)
        looked_at += more
        found = sorted([*found, *pairs], key=lambda t: t.score)
        cause = _chosen(search, found)
        part = _part(search) if cause is None else None
    return Explanation(
        fits=False, as_it_is=_as_it_is(found), ranked=tuple(found), cause=cause,
        rivals=() if cause is None else tuple(_rivals(cause, found)), part=part,
        suspects=search.suspects, systematic=tuple(search.systematic) if search.passes else (),
        looked_at=looked_at)


def _as_it_is(found):
    return next(t for t in found if t.mistake is None)


def _rivals(cause, found):
    own = {m.fact for m in (cause.mistake, *cause.mistake.parts[:1])}
    return (t for t in found if t.passes and t.mistake is not None
            and t.score - cause.score < ALIKE and SINGLE_VALUES not in t.mistake.family
            and t.mistake.fact not in own)


def _ranked(tried, n):
    """Best first, at the variance factor of the best fit."""
    return ranked(tried, max(1.0, min(t.chi2 / max(t.dof, 1) for t in tried)), n)


def _chosen(search, found):
    """The best explanation that leaves a run that passes, if it is clearly better than none."""
    passing = [t for t in found if t.passes and t.mistake is not None]
    if search.systematic:  # the tests of added numbers vouch for one of them
        return next((t for t in passing if search.as_it_is.chi2 - t.chi2 > _LEAST_GAIN), None)
    return passing[0] if passing and _as_it_is(found).score - passing[0].score > CLAIMED else None


def _with_what_is_left(cause):
    """The cause together with what is still wrong in the run that it leaves, if that is told."""
    if cause.mistake.family == SINGLE_VALUES:
        return cause, 0
    search = Search(cause.run)
    if search.fits:
        return cause, 0
    search.try_everything()
    second = _chosen(search, _ranked(search.tried, search.n))
    if second is not None:
        cause = replace(_both(cause, second), score=cause.score + second.chi2 - cause.chi2)
    return cause, len(search.tried)


def _pairs(search) -> tuple[list[Tried], int]:
    """Two mistakes: each promising one undone, and all tried on what is left."""
    found, looked_at, more = [], 0, _BEAM
    for i, first in enumerate(_promising(search)):
        if not more:
            break
        more -= 1
        left = Search(first.run, partial=i < _WITH_PARTIAL)
        left.try_everything()
        looked_at += len(left.tried)
        found += [_both(first, second) for second in left.tried
                  if second.mistake is not None and second.passes]
        if found:  # a rival or two may still come
            more = min(more, 2)
    return _ranked(found, search.n) if found else [], looked_at


def _promising(search):
    """Explanations by what they do to most poses, and by what they do to the misfit."""
    changes = [t for t in search.tried if t.mistake is not None
               and t.mistake.family != SINGLE_VALUES and np.isfinite(t.chi2)]
    by_chi2 = sorted(changes, key=lambda t: t.chi2 / max(t.dof, 1))[:4 * _BEAM]
    by_poses = sorted(by_chi2, key=lambda t: pose_costs(looked(t.run, robust=True)).sum())
    chosen = by_poses[: _BEAM - 2]
    return chosen + [t for t in by_chi2 if t not in chosen][:2]


def _both(first, second):
    a, b = first.mistake, second.mistake
    mistake = Mistake(
        f"{a.family} + {b.family}", Both(a.fact, b.fact),
        lambda run: b.apply(a.apply(run)), a.free + b.free, (*a.poses, *b.poses),
        parts=(*(a.parts or (a,)), *(b.parts or (b,))), aside=(*a.aside, *b.aside))
    return replace(second, mistake=mistake, free=first.free + second.free,
                   odds=first.odds * second.odds, dof=second.dof - a.free)


def _part(search):
    """The explanation that puts most poses right, if one does."""
    before = mean_squares(search.robust)[search.poses]
    best = None
    for tried in _promising(search):
        seen = mean_squares(looked(tried.run, robust=True))
        after = seen[np.unique(tried.run.shots.pose)]
        right, typical = np.mean(after < _POSE_LIMIT), float(np.median(after))
        missed = len(before) * (1 - right)
        if (right >= _PART and typical * _SMALLER < np.median(before)
                and tried.chi2 * _SMALLER < search.as_it_is.chi2
                and missed * 2 < np.sum(before >= _POSE_LIMIT)
                and (best is None or right > best[0])):
            best = right, tried
    return None if best is None else best[1]
