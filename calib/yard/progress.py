"""Where a run stands: every shot against the others, and the edge as known by now."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from calib.adjust.critical import per_test_level
from calib.adjust.distributions import TIMES_SD, chi2_isf, chi2_sf
from calib.adjust.mixed_model import ModelNotFinite, NotConverged
from calib.adjust.reliability import GroupTests
from calib.adjust.spectrum import NotDetermined
from calib.calibration import Problem, Solution, problem_of, solve
from calib.edge import envelope_edge
from calib.judge.goal import GOAL
from calib.judge.misbooked import Booked, booked_elsewhere
from calib.judge.set_aside import SetAside, UnknownName, named, without
from calib.judge.shot_checks import check_shots
from calib.judge.suspects import Suspect, find_suspects
from calib.report.words import yard as say
from calib.run.complaints import InputError
from calib.run.records import Run, Shots

#: A shot does not fit where a clean run of its size has one as far out in so many of 100 runs.
RUN_LEVEL = 0.01

#: Misses are compared with what 95 of 100 stay within.
_WITHIN = 0.05

#: A shot that is predicted no better than this is not checked by its fitting, m.
_LOOSE = 0.1

#: So near, m, a point is taken for a target, or for one shot again.
NEAR = 0.3

#: A shot so far off, m, and so unlikely, is out before anything is searched.
_WILD, _WILD_CHANCE = 0.3, 1e-9

#: A reading is not doubted that would be so many times as far off as another that explains as much.
_MIRRORED = 5.0

#: Why a run has no solution.
UNSOLVED = (InputError, NotConverged, NotDetermined, ModelNotFinite)


@dataclass(frozen=True)
class Fit:
    """A shot against what all other shots, readings and tape predict for it."""

    shot: str
    pose: str
    target: str
    #: Shape (3,). Measured - predicted from all others, east, north, up, m; None where nothing
    #: predicts it.
    miss: np.ndarray | None = None
    usual: float = float("nan")  #: What 95 of 100 such misses stay within, along this one, m.
    chance: float = 1.0  #: That a good shot is as far out.
    fits: bool | None = None  #: None: nothing checks it yet.
    aside: bool = False  #: Whether it takes part.
    #: Another shot of the same target in the same pose that it cannot be true with, where nothing
    #: else predicts either of them: `miss` is from there.
    twin: str | None = None

    @property
    def length(self) -> float:
        return float("nan") if self.miss is None else float(np.linalg.norm(self.miss))


@dataclass(frozen=True)
class Doubt:
    """A pose whose shots are out together, as an error of one of its readings puts them."""

    pose: str
    #: Each would explain it alone, the likeliest first; read - what the shots say, rad or m.
    readings: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Progress:
    """A run as far as it goes."""

    run: Run  #: Everything that was noted.
    aside: SetAside  #: What the person set aside.
    unknown: tuple[str, ...]  #: Names to set aside that the run does not have.
    solution: Solution | None  #: Without what is set aside.
    unsolved: str | None  #: Why there is none.
    suspects: tuple[Suspect, ...] = ()  #: What does not fit, beyond chance.
    clean: Solution | None = None  #: Without these too.
    fits: tuple[Fit, ...] = ()  #: Every shot against `clean`, in the order of the run's shots.
    doubts: tuple[Doubt, ...] = ()  #: Readings to look at before anything is shot again.
    #: By their ids, shots that lie where none was booked.
    lies: dict[str, Booked] = field(default_factory=dict)

    @cached_property
    def edge95(self) -> float | None:
        """What the edge is known to at 95 %, worst over the envelope, readings exact, m.

        Without what does not fit.
        """
        if self.clean is None:
            return None
        nodes = envelope_edge(self.clean.rig, self.clean.parameters)
        return TIMES_SD * nodes.worst_sd(self.clean.covariance)

    @property
    def misfits(self) -> int:
        """How many shots do not fit, of those that are not set aside, and other values."""
        others = sum(s.kind in ("reading", "tape", "sight") for s in self.suspects)
        return others + sum(f.fits is False and not f.aside for f in self.fits)

    @property
    def required(self) -> float:
        """What it must be known to at 95 %, m."""
        return self.run.rig.edge_goal or GOAL

    @property
    def enough(self) -> bool:
        """It is known as well as that."""
        return self.edge95 is not None and self.edge95 <= self.required

    @cached_property
    def problem(self) -> Problem:
        """Of what takes part."""
        if self.clean is not None:
            return self.clean.problem
        return problem_of(without(self.run, self.aside))

    @property
    def unknowns(self) -> np.ndarray:
        """Solved, or as far as they are known."""
        return self.problem.start if self.clean is None else self.clean.adjustment.parameters


def progress_of(run: Run, names: tuple[str, ...] = (), near: Solution | None = None) -> Progress:
    """Solve what there is and hold every shot against the others.

    Parameters
    ----------
    names : tuple of str
        What to set aside.
    near : Solution, optional
        Of the run a little while ago, to start from.
    """
    aside, unknown = _aside(run, names)
    wild = _wild(run, aside, near)
    try:
        solution = _solved(without(run, replace(aside, shots=aside.shots | wild)), near)
    except UNSOLVED as error:
        nothing = [Fit(*_what(run, i), aside=i in aside.shots) for i in range(len(run.shots))]
        return Progress(run, aside, unknown, None, reason_of(error),
                        fits=_held_together(run, nothing))
    found = find_suspects(solution)
    out = {solution.run.shots.ids[i] for i in found.aside.shots}
    out |= {run.shots.ids[i] for i in wild}
    fits = _fits(run, aside, out, found.without)
    return Progress(run, aside, unknown, solution, None, found.beyond_chance, found.without, fits,
                    _doubts(run, aside, found.beyond_chance, found.without, fits),
                    _lies(run, found.without, fits))


def _lies(run, clean, fits):
    """Of single shots that do not fit, those that lie elsewhere."""
    off = [i for i, f in enumerate(fits) if f.fits is False and not f.aside and f.twin is None]
    off = [i for i in off if run.shots.ids[i] not in clean.run.shots.ids]
    return booked_elsewhere(clean, run, off, np.array([fits[i].miss for i in off]).reshape(-1, 3))


def _doubts(run, aside, suspects, clean, fits):
    """Readings found by snooping, and those that explain why all is out that depends on them."""
    named = {s.pose: s for s in suspects if s.kind == "reading"}
    out: dict[int, list[int]] = {pose: [] for pose in named}
    for i, fit in enumerate(fits):
        if fit.fits is False and not fit.aside and fit.twin is None:
            out.setdefault(int(run.shots.pose[i]), []).append(i)
    sd, found = without(run, aside).poses.sd, []
    for pose, shots in out.items():
        if pose in named:
            own = named[pose].reading, float(named[pose].miss[0])
            found.append((pose, _explained_by(run, sd[pose], clean, pose, [], own)))
        elif len({fits[i].target for i in shots}) > 1:
            found.append((pose, _explained_by(run, sd[pose], clean, pose, shots)))
    return tuple(Doubt(run.poses.ids[pose], readings) for pose, readings in found if readings)


def _explained_by(run, sd, clean, pose, shots, own=None):
    """Readings of a pose without which its shots fit, the likeliest first.

    Solved anew for each: what is degrees off is no small error. `own` is the one that `clean`
    goes without, and by how much it is off.
    """
    taking_part = np.isin(run.shots.ids, clean.run.shots.ids)
    taking_part[shots] = True
    found = [] if own is None else [(1.0, *own)]
    for r in np.flatnonzero(np.isfinite(sd)):
        if own is not None and r == own[0]:
            continue
        sds = clean.run.poses.sd.copy()
        sds[pose] = sd
        sds[pose, r] = np.inf
        try:
            trial = solve(replace(clean.run, shots=run.shots.select(taking_part),
                                  poses=replace(clean.run.poses, sd=sds)), clean)
        except UNSOLVED:
            continue
        more = max(0.0, trial.adjustment.chi2 - clean.adjustment.chi2)
        chance = chi2_sf(more, max(1, trial.adjustment.dof - clean.adjustment.dof))
        if chance >= RUN_LEVEL:
            off = run.poses.readings[pose, r] - trial.readings_used[pose, r]
            found.append((float(chance), r, float(off)))
    # Two corners fit a mirrored attachment too: a reading that far off is no explanation.
    most = _MIRRORED * min((abs(off) for *_, off in found), default=0.0)
    return tuple((run.rig.reading_names[r], off) for _, r, off in sorted(found, reverse=True)
                 if abs(off) <= most)


def _wild(run, aside, near):
    """New shots so far from where the run before them puts them that no search is needed.

    A search for what does not fit takes long where something is off by metres; shots that came in
    since `near` are held against the others first.
    """
    if near is None:
        return frozenset()
    known = set(near.run.shots.ids)
    new = np.array([i not in aside.shots and name not in known
                    for i, name in enumerate(run.shots.ids)], bool)
    if not new.any() or new.sum() + len(aside.shots) == len(new):
        return frozenset()
    try:
        old = frozenset(np.flatnonzero(new).tolist())
        before = _solved(without(run, replace(aside, shots=aside.shots | old)), near)
    except UNSOLVED:
        return frozenset()
    new &= np.isin([run.poses.stand[p] for p in run.shots.pose], before.problem.stands)
    if not new.any():
        return frozenset()
    checked = check_shots(before, run.shots.select(new))
    unlikely = chi2_sf(checked.statistics, 3) < _WILD_CHANCE
    far = unlikely & (checked.lengths > _WILD)
    # A reading puts all shots of its pose off, one a little less than another.
    far = unlikely & np.isin(checked.shots.pose, checked.shots.pose[far])
    return frozenset(run.shots.ids.index(checked.shots.ids[i]) for i in np.flatnonzero(far))


def _solved(run, near):
    if near is not None:
        try:
            return solve(run, near)
        except (NotConverged, ModelNotFinite):
            pass
    return solve(run)


def _aside(run, names):
    unknown = []
    for name in names:
        try:
            named(run, [name])
        except UnknownName:
            unknown.append(name)
    return named(run, [n for n in names if n not in unknown]), tuple(unknown)


def reason_of(error: Exception) -> str:
    """Why there is no solution, short."""
    if isinstance(error, NotDetermined):
        return say.UNDETERMINED.format(len(error.directions))
    if isinstance(error, InputError):
        return str(error.complaints[0])
    return str(error)


def _fits(run, aside, out, clean):
    """Every shot: those that take part tested within, the others against their prediction."""
    place = {name: k for k, name in enumerate(clean.run.shots.ids)}
    taking_part = [i for i, name in enumerate(run.shots.ids) if name in place]
    tests = GroupTests.of(clean.adjustment).test_all(
        [(tuple(range(3 * k, 3 * k + 3)), None, ()) for k in range(len(place))])
    level = per_test_level(RUN_LEVEL, max(1, len(place)))
    fits: dict[int, Fit] = {}
    for i in taking_part:
        test = tests[place[run.shots.ids[i]]]
        fits[i] = _tested(run, i, test.bias, test.statistic, level, False) if test.dof == 3 else \
            Fit(*_what(run, i))
    left = np.array([name not in place for name in run.shots.ids], bool)
    left &= np.isin([run.poses.stand[p] for p in run.shots.pose], clean.problem.stands)
    if left.any():
        checked = check_shots(clean, run.shots.select(left))
        for name, miss, statistic in zip(checked.shots.ids, checked.misses, checked.statistics,
                                         strict=True):
            i = run.shots.ids.index(name)
            fit = _tested(run, i, miss, float(statistic), level, i in aside.shots)
            fits[i] = replace(fit, fits=False) if name in out else fit
    return _held_together(run, [fits.get(i) or Fit(*_what(run, i), aside=i in aside.shots)
                                for i in range(len(run.shots))])


def _held_together(run, fits):
    """Shots of the same target in the same pose, held together where nothing else decides."""
    same = defaultdict(list)
    for i, fit in enumerate(fits):
        if not fit.aside:
            same[fit.pose, fit.target].append(i)
    groups = [alike for alike in same.values() if len(alike) > 1]
    level = per_test_level(RUN_LEVEL, max(1, sum(map(len, groups))))
    for alike in groups:
        if all(fits[i].miss is None for i in alike):
            _among_themselves(run, fits, alike, level)
        elif len(alike) == 2 and (fits[alike[0]].fits is False) != (fits[alike[1]].fits is False):
            off, other = sorted(alike, key=lambda i: fits[i].fits is not False)
            apart = run.shots.position[off] - run.shots.position[other]
            # The other one fits, but nothing else says where it should be.
            if not fits[other].usual < np.linalg.norm(apart) / 2:
                fits[off] = replace(fits[off], miss=apart, twin=run.shots.ids[other])
                fits[other] = replace(fits[other], miss=-apart, fits=False,
                                      twin=run.shots.ids[off])
    return tuple(fits)


def _among_themselves(run, fits, alike, level):
    """Shots of one target that nothing predicts: the one that is off, or both if there are two."""
    middle = np.median(run.shots.position[alike], axis=0)
    for i in alike:
        twin = next(j for j in alike if j != i)
        # Of two nobody knows which is wrong; of more the middle one is hardly.
        covariance, miss = run.shots.covariance[i], run.shots.position[i] - middle
        if len(alike) == 2:
            covariance, miss = covariance + run.shots.covariance[twin], 2 * miss
        fit = _tested(run, i, miss, float(miss @ np.linalg.solve(covariance, miss)), level, False)
        if fit.fits is False:
            fits[i] = replace(fit, twin=run.shots.ids[twin])


def _tested(run, i, miss, statistic, level, aside):
    # Along the miss itself: where the statistic would be at its 95 % value.
    usual = float(np.linalg.norm(miss) * np.sqrt(chi2_isf(_WITHIN, 3) / max(statistic, 1e-12)))
    chance = float(chi2_sf(statistic, 3))
    fits = chance >= level
    return Fit(*_what(run, i), np.asarray(miss), usual, chance,
               None if fits and usual > _LOOSE else fits, aside)


def _what(run: Run, i: int) -> tuple[str, str, str]:
    return (run.shots.ids[i], run.poses.ids[run.shots.pose[i]],
            run.rig.target_names[run.shots.target[i]])


def nearest(progress: Progress | None, pose: str, targets: Sequence[str], place: np.ndarray
            ) -> str | None:
    """Which of some targets of a pose lies where a point is; None if none is near, or nobody knows.

    Parameters
    ----------
    place : ndarray, shape (3,)
        East, north, up, m.
    """
    if progress is None or progress.clean is None or not targets:
        return None
    run, problem = progress.run, progress.clean.problem
    if pose not in run.poses.ids or run.poses.stand[at := run.poses.ids.index(pose)] \
            not in problem.stands:
        return None
    index = np.array([run.rig.target_names.index(target) for target in targets])
    count = len(index)
    shots = Shots(tuple(targets), np.full(count, at), index, np.tile(place, (count, 1)),
                  np.tile(np.median(run.shots.covariance, axis=0), (count, 1, 1)),
                  (None,) * count, (0,) * count)
    checked = check_shots(progress.clean, shots)
    if not len(checked.shots.ids):
        return None
    first = int(checked.lengths.argmin())
    return checked.shots.ids[first] if checked.lengths[first] < NEAR else None
