"""Suspects: shots, readings, taped values and whole poses that do not fit the others."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from calib.adjust.critical import ALPHA, equal_power_limit, per_test_level
from calib.adjust.distributions import chi2_sf
from calib.adjust.reliability import Candidate
from calib.adjust.snooping import Snooping, Verdict, snoop
from calib.calibration import Solution
from calib.judge.fits import solved
from calib.judge.misbooked import Booked, booked_elsewhere
from calib.judge.set_aside import SetAside, sights_of, without

#: A clean run has a suspect beyond chance with this probability: a fifth of what all tests of a
#: run may condemn it by (`calib.judge.gates`).
RUN_LEVEL = 0.01

#: In a larger run only what is beyond chance is flagged: the flags that chance allows would be
#: many, and each takes a solution.
MOST_SHOTS = 400

#: Taped and solved lengths so many sds of the tape on both sides of zero are mirrored (ours).
MIRRORED_SDS = 10.0


@dataclass(frozen=True)
class Suspect:
    """A value or a pose that data snooping set aside."""

    kind: str  #: "shot", "pose", "reading", "tape" or "sight".
    name: str  #: As `calib.judge.set_aside.named` understands it.
    shots: tuple[int, ...]
    pose: int | None
    reading: int | None
    quantity: str | None  #: What was taped.
    sight: tuple[str, str] | None  #: Set-up and known point.
    #: Measured - what the rest predicts: m, three per shot; rad for a reading; m or rad for tape;
    #: m, three per sight, for sights.
    miss: np.ndarray
    statistic: float  #: statistic, dof, limit: Chi-square test and its limit at equal power.
    dof: int
    limit: float
    chance: float  #: That the worst value of a clean run of this size is as far out.
    moves: str  #: The parameter that moves most without it, in its own sds.
    moves_by: float  #: In m or rad, with it less without it, to first order.
    moves_in_sd: float
    #: Where it lies, of a shot beyond chance that was booked as another target or pose.
    lies: Booked | None = None


@dataclass(frozen=True)
class Suspects:
    """All suspects of a solution, in the order in which they were found."""

    solution: Solution
    found: tuple[Suspect, ...]
    #: That the worst single value of a clean run of this size is as far out as that of this run:
    #: the p-value of the run, over all values tested.
    chance: float
    tests: int  #: How many values were tested.
    #: Names of what is still beyond its limit without all that was found: empty is the proof that
    #: there is no more.
    remaining: tuple[str, ...]

    def __repr__(self):
        return (f"<Suspects: {len(self.beyond_chance)} beyond chance, {len(self.within_chance)} "
                f"within, of {self.tests} tested>")

    @property
    def beyond_chance(self) -> tuple[Suspect, ...]:
        """Those further out than the worst value of 99 in 100 clean runs of this size."""
        return tuple(s for s in self.found if s.chance < RUN_LEVEL)

    @property
    def within_chance(self) -> tuple[Suspect, ...]:
        """The others: beyond the limit of a single test, but there are many tests."""
        return tuple(s for s in self.found if s.chance >= RUN_LEVEL)

    @property
    def aside(self) -> SetAside:
        """What `without` leaves out; nothing where none is beyond chance."""
        return self._rest[1]

    @property
    def without(self) -> Solution:
        """A plain solution of the run without the suspects beyond chance.

        If that cannot be found, one without all that was found; the search has shown that there
        is one. The solution with everything if even that fails.
        """
        return self._rest[0]

    @cached_property
    def _rest(self):
        for suspects in (self.beyond_chance, self.found) if self.beyond_chance else ():
            aside = set_aside_of(suspects)
            if len(aside.shots) < len(self.solution.run.shots):
                rest = solved(without(self.solution.run, aside), self.solution)
                if rest is not None:
                    return rest, aside
        return self.solution, SetAside()

    @cached_property
    def shot_mask(self) -> np.ndarray:
        """All suspects, shape (n_shots,)."""
        return np.isin(np.arange(len(self.solution.run.shots)),
                       list(set_aside_of(self.found).shots))

    @cached_property
    def reading_mask(self) -> np.ndarray:
        """All suspects, shape (n_poses, n_readings)."""
        mask = np.zeros(self.solution.run.poses.readings.shape, bool)
        for pose, reading in set_aside_of(self.found).readings:
            mask[pose, reading] = True
        return mask


def set_aside_of(suspects: Iterable[Suspect]) -> SetAside:
    """What leaving these suspects out means."""
    suspects = tuple(suspects)
    return SetAside(
        frozenset(i for s in suspects for i in s.shots),
        frozenset((s.pose, s.reading) for s in suspects
                  if s.pose is not None and s.reading is not None),
        tuple(s.name for s in suspects),
        frozenset(s.quantity for s in suspects if s.quantity is not None),
        frozenset(s.sight for s in suspects if s.sight is not None),
    )


def find_suspects(solution: Solution) -> Suspects:
    """Data snooping over shots (as vectors), readings, taped values, sights and whole poses.

    Single values start the search; a whole pose is only named where one of its values is out by
    itself and the pose as a whole is the stronger explanation.
    """
    candidates = suspicion(solution)
    tests = sum(c.detects for c in candidates)
    small = len(solution.run.shots) <= MOST_SHOTS
    alpha = ALPHA if small else per_test_level(RUN_LEVEL, tests)
    snooping = _snooped(solution, candidates, alpha)
    mirrored = _mirrored(solution.run, snooping)
    if mirrored:  # two corners or readings exchanged look like that, a slip of the tape does not
        candidates = [c for c in candidates if c.label not in mirrored]
        again = _snooped(solution, candidates, alpha)
        out = tuple(v for v in snooping.before if v.candidate.label in mirrored)
        snooping = replace(again, before=snooping.before, beyond=(*out, *again.beyond))
    found = tuple(
        _suspect(solution, end if end.test.dof else verdict, shift, tests, alpha)
        for verdict, end, shift in zip(
            snooping.suspects, snooping.at_end, snooping.shifts, strict=True)
    )
    remaining = tuple(_name(solution.run, v.candidate.label) for v in snooping.beyond)
    suspects = Suspects(solution, found, _run_chance(snooping, tests), tests, remaining)
    shots = [s for s in suspects.beyond_chance if s.kind == "shot"]
    if not shots:
        return suspects
    lies = booked_elsewhere(suspects.without, solution.run, [s.shots[0] for s in shots],
                            np.array([s.miss for s in shots]))
    return replace(suspects, found=tuple(replace(s, lies=lies.get(s.name)) for s in found))


def _snooped(solution, candidates, alpha) -> Snooping:
    return snoop(solution.problem.model, solution.adjustment, candidates, alpha,
                 most=max(4, len(solution.run.shots) // 6))


def _mirrored(run, snooping) -> set:
    """Labels of suspect taped lengths that the rest puts on the other side of zero."""
    labels = set()
    for verdict in snooping.at_end:
        kind, quantity = verdict.candidate.label[:2]
        if kind == "tape" and verdict.test.dof:
            row = run.tape.quantities.index(quantity)
            taped, solved = run.tape.value[row], run.tape.value[row] - verdict.test.bias[0]
            far = MIRRORED_SDS * run.tape.sd[row]
            if run.tape.unit[row] != "deg" and taped * solved < 0 and min(
                abs(taped), abs(solved)
            ) > far:
                labels.add(verdict.candidate.label)
    return labels


def suspicion(solution: Solution) -> list[Candidate]:
    """Every shot, every reading of a pose with shots, the tape, sights to known points, poses."""
    problem, run = solution.problem, solution.run
    shots = run.shots
    rows_of: dict[int, list[int]] = {}
    for i, pose in enumerate(shots.pose.tolist()):
        rows_of.setdefault(pose, []).extend(range(3 * i, 3 * i + 3))
    candidates = [
        Candidate(("shot", i), tuple(range(3 * i, 3 * i + 3))) for i in range(len(shots))
    ]
    candidates += [
        Candidate(("reading", pose, r), (), pose, (r,))
        for pose in rows_of for r in range(len(run.rig.readings))
        if not problem.observations.readings_aside[pose, r]
    ]
    candidates += [
        Candidate(("tape", problem.prior.names[i]), (3 * len(shots) + i,))
        for i in range(problem.n_taped)
    ]
    sights = sights_of(run.set_ups)
    first = 3 * (len(shots) - len(sights)) + len(problem.prior.values)  # they come last
    candidates += [
        Candidate(("sight", sight), tuple(
            first + 3 * i + axis for i, other in enumerate(sights) if other == sight
            for axis in range(3)))
        for sight in dict.fromkeys(sights)
    ]
    candidates += [
        Candidate(("pose", pose), tuple(rows), detects=False)
        for pose, rows in rows_of.items() if len(rows) > 3
    ]
    return candidates


def _run_chance(snooping: Snooping, tests: int) -> float:
    """Of the most extreme single value before anything was set aside."""
    single = [(v.test.statistic, v.test.dof) for v in snooping.before if v.candidate.detects]
    if not single:
        return 1.0
    statistics, dof = np.array(single).T
    return _chance(float(np.min(chi2_sf(statistics, dof))), tests)


def _chance(single: float, tests: int) -> float:
    """That the most extreme of so many tests is as far out, were they independent (Sidak)."""
    return float(-np.expm1(tests * np.log1p(-min(single, 1 - 1e-12))))


def _name(run, label) -> str:
    """As `calib.judge.set_aside.named` understands it."""
    kind, which, *reading = label
    if kind == "shot":
        return run.shots.ids[which]
    if kind == "tape":
        return f"tape:{which}"
    if kind == "sight":
        return f"sight:{which[0]}/{which[1]}"
    pose = run.poses.ids[which]
    return f"pose:{pose}" if kind == "pose" else f"{pose}/{run.rig.reading_names[reading[0]]}"


def _suspect(solution, verdict: Verdict, shift, tests, alpha) -> Suspect:
    run, label, test = solution.run, verdict.candidate.label, verdict.test
    assert isinstance(label, tuple)  # of `suspicion`
    kind, which = label[0], label[1]
    shift, sd = (solution.problem.parameters(a) for a in (shift, solution.adjustment.sd))
    in_sd = np.divide(shift, sd, out=np.zeros(len(sd)), where=sd > 0)
    most = int(np.argmax(np.abs(in_sd)))
    return Suspect(
        kind=kind,
        name=_name(run, label),
        shots=() if kind in ("tape", "sight") else tuple(
            sorted({row // 3 for row in verdict.candidate.rows})),
        pose=(int(run.shots.pose[which]) if kind == "shot"
              else which if kind in ("pose", "reading") else None),
        reading=label[2] if kind == "reading" else None,
        quantity=which if kind == "tape" else None,
        sight=which if kind == "sight" else None,
        miss=test.bias,
        statistic=test.statistic,
        dof=test.dof,
        limit=equal_power_limit(test.dof, alpha),
        chance=_chance(float(chi2_sf(test.statistic, test.dof)), tests),
        moves=run.rig.parameters[most].name,
        moves_by=float(shift[most]),
        moves_in_sd=float(in_sd[most]),
    )
