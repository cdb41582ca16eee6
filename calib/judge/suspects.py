"""Suspects: shots, readings and whole poses that do not fit the others."""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.stats import chi2

from calib.adjust.critical import ALPHA, equal_power_limit, per_test_level
from calib.adjust.snooping import Candidate, snoop
from calib.calibration import Solution, solve
from calib.judge.many import many_bad_shots
from calib.judge.set_aside import SetAside, without

#: A clean run has a suspect beyond chance with this probability: a fifth of what all tests of a
#: run may condemn it by (`calib.judge.gates`).
RUN_LEVEL = 0.01

#: In a larger run only what is beyond chance is flagged: the flags that chance allows would be
#: many, and each takes a solution.
MOST_SHOTS = 400


@dataclass(frozen=True)
class Suspect:
    """A value or a pose that data snooping set aside.

    Attributes
    ----------
    kind : "shot", "pose" or "reading"
    name : str
        As `calib.judge.set_aside.named` understands it.
    miss : ndarray
        Measured - what the rest predicts: m, three per shot; rad for a reading.
    statistic, dof, limit : float
        Chi-square test and its limit at equal power.
    chance : float
        That the worst value of a clean run of this size is as far out.
    moves : str
        The parameter that moves most without it, in its own sds.
    moves_by : float
        In m or rad, with it less without it.
    moves_in_sd : float
    """

    kind: str
    name: str
    shots: tuple[int, ...]
    pose: int
    reading: int | None
    miss: np.ndarray
    statistic: float
    dof: int
    limit: float
    chance: float
    moves: str
    moves_by: float
    moves_in_sd: float
    says: str


@dataclass(frozen=True)
class Suspects:
    """All suspects of a solution, in the order in which they were found."""

    solution: Solution
    found: tuple[Suspect, ...]
    stopped: str

    @property
    def beyond_chance(self) -> tuple[Suspect, ...]:
        """Those further out than the worst value of 99 in 100 clean runs of this size."""
        return tuple(s for s in self.found if s.chance < RUN_LEVEL)

    @property
    def within_chance(self) -> tuple[Suspect, ...]:
        """The others: beyond the limit of a single test, but there are many tests."""
        return tuple(s for s in self.found if s.chance >= RUN_LEVEL)

    @property
    def chance(self) -> float:
        """That the worst value of a clean run is as far out; 1 if none is out for its own test."""
        return min((s.chance for s in self.found), default=1.0)

    @property
    def aside(self) -> SetAside:
        """What to leave out: the suspects beyond chance."""
        return set_aside_of(self.beyond_chance)

    @cached_property
    def without(self) -> Solution:
        """A plain solution of the run without the suspects beyond chance."""
        if not self.beyond_chance:
            return self.solution
        return solve(without(self.solution.run, self.aside))

    @property
    def shot_mask(self) -> np.ndarray:
        """All suspects, shape (n_shots,)."""
        return np.isin(np.arange(len(self.solution.run.shots)),
                       list(set_aside_of(self.found).shots))

    @property
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
        frozenset((s.pose, s.reading) for s in suspects if s.reading is not None),
        tuple(s.name for s in suspects),
    )


def find_suspects(solution: Solution) -> Suspects:
    """Data snooping over shots (as vectors), readings and whole poses.

    Shots and readings start the search; a whole pose is only named where one of its values is out
    by itself and the pose as a whole is the stronger explanation.
    """
    problem, candidates = solution.problem, suspicion(solution)
    tests = sum(c.detects for c in candidates)
    small = len(solution.run.shots) <= MOST_SHOTS
    alpha = ALPHA if small else per_test_level(RUN_LEVEL, tests)
    snooping = snoop(
        problem,
        problem.observations,
        solution.adjustment.parameters,
        candidates,
        names=problem.names,
        prior=problem.prior,
        held=problem.held,
        alpha=alpha,
        most=_most(solution),
    )
    if len(snooping.suspects) == _most(solution):
        many = many_bad_shots(solution)
        if many is not None and _fits_better(many[1], snooping.final):
            found = tuple(
                _suspect(solution, ("shot", bad.shot), (bad.shot,), bad.miss, bad.statistic, 3,
                         bad.shift, tests, alpha)
                for bad in many[0]
            )
            return Suspects(solution, found, "many shots are out; a robust fit found them")
    found = tuple(
        _suspect(solution, verdict.candidate.label,
                 tuple(sorted({row // 3 for row in verdict.candidate.rows})), verdict.test.bias,
                 verdict.test.statistic, verdict.test.dof, shift, tests, alpha)
        for verdict, shift in zip(snooping.suspects, snooping.shifts, strict=True)
    )
    return Suspects(solution, found, snooping.stopped)


def _most(solution):
    """Suspects after which snooping one at a time is given up."""
    return max(4, len(solution.run.shots) // 6)


def _fits_better(rest, snooped):
    factor = rest.adjustment.variance_factor
    return factor is not None and factor < (snooped.variance_factor or np.inf)


def suspicion(solution: Solution) -> list[Candidate]:
    """The candidates: every shot, every reading of a pose with shots, every pose of many shots."""
    run = solution.run
    shots, rows_of = run.shots, {}
    for i, pose in enumerate(shots.pose.tolist()):
        rows_of.setdefault(pose, []).extend(range(3 * i, 3 * i + 3))
    candidates = [
        Candidate(("shot", i), tuple(range(3 * i, 3 * i + 3))) for i in range(len(shots))
    ]
    candidates += [
        Candidate(("reading", pose, r), (), pose, (r,))
        for pose in rows_of for r in range(len(run.rig.readings))
    ]
    candidates += [
        Candidate(("pose", pose), tuple(rows), detects=False)
        for pose, rows in rows_of.items() if len(rows) > 3
    ]
    return candidates


def _suspect(solution, label, shots, bias, statistic, dof, shift, tests, alpha) -> Suspect:
    run = solution.run
    kind, number, *rest = label
    reading = rest[0] if rest else None
    pose = int(run.shots.pose[number]) if kind == "shot" else number
    name = {
        "shot": lambda: run.shots.ids[number],
        "pose": lambda: f"pose:{run.poses.ids[number]}",
        "reading": lambda: f"{run.poses.ids[number]}/{run.rig.reading_names[reading]}",
    }[kind]()
    n_rig = len(run.rig.parameters)
    sd = solution.adjustment.sd[:n_rig]
    in_sd = np.divide(shift[:n_rig], sd, out=np.zeros(n_rig), where=sd > 0)
    most = int(np.argmax(np.abs(in_sd)))
    single = chi2.sf(statistic, dof)
    chance = float(-np.expm1(tests * np.log1p(-min(single, 1 - 1e-12))))
    parameter = run.rig.parameters[most]
    says = " ".join([_miss_words(run, kind, number, reading, bias),
                     _moves_words(parameter, shift[most], in_sd[most])])
    return Suspect(
        kind, name, shots, pose, reading, bias, statistic, dof, equal_power_limit(dof, alpha),
        chance, parameter.name, float(shift[most]), float(in_sd[most]), says,
    )


def _miss_words(run, kind, number, reading, bias):
    if kind == "reading":
        off = np.degrees(bias[0])
        turned = next((turn for turn in (90, 180) if abs(abs(off) - turn) < 0.1 * turn), None)
        hint = f" About {turned} deg: a zero set wrongly or a sensor turned?" if turned else ""
        return (f"Reading {run.rig.reading_names[reading]} of pose {run.poses.ids[number]} is off "
                f"by {off:+.2f} deg.{hint}")
    lengths = 1000 * np.linalg.norm(bias.reshape(-1, 3), axis=1)
    if kind == "shot":
        east, north, up = 1000 * bias
        return (f"Shot {run.shots.ids[number]} is off by {lengths[0]:.0f} mm from where the "
                f"others put it (east {east:+.0f}, north {north:+.0f}, up {up:+.0f}).")
    each = ", ".join(f"{length:.0f}" for length in lengths)
    return (f"Pose {run.poses.ids[number]} does not fit: its shots are off by {each} mm from where "
            "the others put them. A wrong pose number, or the machine moved?")


def _moves_words(parameter, shift, in_sd):
    size = f"{abs(np.degrees(shift)):.2f} deg" if parameter.unit == "deg" else (
        f"{abs(1000 * shift):.1f} mm")
    return f"It moves {parameter.name} by {size} ({abs(in_sd):.1f} sd)."
