"""Where run, chain and adjustment meet: a run becomes a problem, the problem a solution."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from calib import stations
from calib.adjust.mixed_model import Adjustment, ModelNotFinite, NotConverged, adjust
from calib.adjust.observations import Observations, Prediction, Prior
from calib.adjust.spectrum import NotDetermined, Spectrum
from calib.chain.chain import Points
from calib.chain.derived import derived_values
from calib.chain.motion import PLACEMENT
from calib.chain.rig import Rig
from calib.chain.sensors import BLIND_GAIN
from calib.run.complaints import Complaint, InputError
from calib.run.records import Run, Shots, Tape

#: A taped parameter whose variance the shots reduce by less than this share is "tape only".
TAPE_ONLY_SHARE = 0.01

#: Angles at which the search for a reading that is set aside begins, and how much better than the
#: reading as it was one must fit.
_TURNS, _BETTER = np.radians(np.arange(-180.0, 180.0, 15.0)), 0.5

#: Placement at which site coordinates are levelled house coordinates: forward, left, up.
HOUSE_PLACEMENT = np.array([0.0, 0.0, 0.0, np.pi / 2])


@dataclass(frozen=True)
class Predicted:
    """What shots should show.

    Attributes
    ----------
    position : ndarray, shape (n, 3)
        m.
    by_unknowns, by_readings : ndarray
        Shapes (n, 3, n_unknowns) and (n, 3, n_readings).
    """

    position: np.ndarray
    by_unknowns: np.ndarray
    by_readings: np.ndarray


@dataclass(frozen=True)
class Problem:
    """A run as an adjustment problem.

    Unknowns: rig parameters, then four per stand, then four per set-up of a total station.

    Attributes
    ----------
    stands : tuple of str
        The stands that have shots, in order of first appearance.
    stand_of_pose : ndarray of int, shape (n_poses,)
        -1 for a pose whose stand has no shots.
    names : tuple of str
        One per unknown.
    start : ndarray, shape (n_unknowns,)
    start_corrections : ndarray, shape (n_poses, n_readings)
        Of readings that are set aside, rad; 0 of the others.
    held : ndarray of bool, shape (n_unknowns,)
    n_taped : int
        How many of the prior's values are taped; the others are of set-ups.
    """

    run: Run
    stands: tuple[str, ...]
    stand_of_pose: np.ndarray
    names: tuple[str, ...]
    observations: Observations
    prior: Prior
    start: np.ndarray
    start_corrections: np.ndarray
    held: np.ndarray
    n_taped: int

    def points(self, unknowns, readings, target, pose, jacobian: bool = True) -> Points:
        """Predicted points in the site frame; see `calib.chain.chain.Posture.points`."""
        posture = self.run.rig.chain.posture(
            unknowns[: self._n_rig], self.placement(unknowns), readings, jacobian
        )
        return posture.points(target, pose)

    def placement(self, unknowns) -> np.ndarray:
        """East, north, up, heading of each pose's stand, shape (n_poses, 4)."""
        stands = unknowns[self._n_rig : self._n_placed].reshape(-1, len(PLACEMENT))
        return np.vstack([stands, HOUSE_PLACEMENT])[self.stand_of_pose]

    def predicted(self, unknowns, readings, shots: Shots) -> Predicted:
        """What shots should show, and the derivatives of that."""
        points = self.points(unknowns, readings, shots.target, shots.pose)
        design = self.spread(points, shots.pose)
        set_ups = self.run.set_ups
        if set_ups is None or shots.setup is None:
            return Predicted(points.position, design, points.by_readings)
        seen = stations.seen(points.position, shots.setup, set_ups, self.corrections(unknowns))
        design = seen.by_point @ design
        with_setup = np.flatnonzero(shots.setup >= 0)
        columns = self._n_placed + 4 * shots.setup[with_setup, None] + np.arange(4)
        design[with_setup[:, None], :, columns] = (
            seen.by_corrections[with_setup].transpose(0, 2, 1))
        return Predicted(seen.position, design, seen.by_point @ points.by_readings)

    def corrections(self, unknowns) -> np.ndarray:
        """Shift east, north, up (m) and clockwise turn (rad) of each set-up, (n_setups, 4)."""
        return unknowns[self._n_placed :].reshape(-1, 4)

    def spread(self, points: Points, pose) -> np.ndarray:
        """Derivatives of points by all unknowns, shape (n, 3, n_unknowns)."""
        design = np.zeros((len(pose), 3, len(self.names)))
        design[:, :, : self._n_rig] = points.by_parameters
        stand = self.stand_of_pose[pose]
        columns = self._n_rig + len(PLACEMENT) * stand[:, None] + np.arange(len(PLACEMENT))
        design[np.arange(len(pose))[:, None], :, columns] = points.by_placement.transpose(0, 2, 1)
        return design

    def __call__(self, unknowns, readings) -> Prediction:
        """The model of the engine: predicted shot coordinates, row by row."""
        predicted = self.predicted(unknowns, readings, self.run.shots)
        n = 3 * len(self.run.shots)
        return Prediction(
            predicted.position.reshape(n),
            predicted.by_unknowns.reshape(n, -1),
            predicted.by_readings.reshape(n, -1),
        )

    @property
    def _n_rig(self):
        return len(self.run.rig.parameters)

    @property
    def _n_placed(self):
        return self._n_rig + len(PLACEMENT) * len(self.stands)


@dataclass(frozen=True)
class Solution:
    """A solved run.

    Attributes
    ----------
    problem : Problem
    adjustment : Adjustment
        ``adjustment.names`` orders the unknowns: rig parameters, then four per stand, then four
        per set-up.
    """

    problem: Problem
    adjustment: Adjustment

    @property
    def run(self) -> Run:
        return self.problem.run

    @property
    def rig(self) -> Rig:
        return self.problem.run.rig

    @property
    def parameters(self) -> np.ndarray:
        """Rig parameters, shape (n_parameters,), m or rad."""
        return self.adjustment.parameters[: len(self.rig.parameters)]

    @property
    def covariance(self) -> np.ndarray:
        """A-priori covariance of the rig parameters, zero rows where held."""
        n = len(self.rig.parameters)
        return self.adjustment.covariance[:n, :n]

    @cached_property
    def stands(self) -> np.ndarray:
        """East, north, up (m) and heading (rad, 0 to 2 pi) per stand, shape (n_stands, 4)."""
        n = len(self.rig.parameters)
        stands = self.adjustment.parameters[n : n + len(PLACEMENT) * len(self.problem.stands)]
        stands = stands.reshape(-1, len(PLACEMENT))
        return np.column_stack([stands[:, :3], np.mod(stands[:, 3], 2 * np.pi)])

    @cached_property
    def adjusted_readings(self) -> np.ndarray:
        """Readings plus their corrections, shape (n_poses, n_readings), rad."""
        return self.run.poses.readings + self.adjustment.corrections

    @cached_property
    def readings_used(self) -> np.ndarray:
        """Readings as they were, those set aside as estimated; (n_poses, n_readings), rad."""
        aside = self.problem.observations.readings_aside
        return np.where(aside, self.adjusted_readings, self.run.poses.readings)

    @cached_property
    def residuals(self) -> np.ndarray:
        """Measured - computed at the adjusted readings, shape (n_shots, 3), m."""
        return self.adjustment.residuals.reshape(-1, 3)

    @cached_property
    def misses(self) -> np.ndarray:
        """Measured - computed at `readings_used`, shape (n_shots, 3), m.

        What a person standing at the edge would have seen.
        """
        shots = self.run.shots
        predicted = self.problem.predicted(self.adjustment.parameters, self.readings_used, shots)
        return shots.position - predicted.position

    @cached_property
    def shots_alone(self) -> Spectrum:
        """Spectrum of the design without the tape: what the shots themselves can tell."""
        first = len(self.adjustment.residuals)
        last = first + self.problem.n_taped
        return Spectrum.of(np.delete(self.adjustment.linearised.design, slice(first, last), 0))

    @cached_property
    def tape(self) -> tuple[np.ndarray, np.ndarray]:
        """Taped value and sd per rig parameter, shapes (n_parameters,); NaN where not taped."""
        return tape_by_parameter(self.rig, self.run.tape)

    @cached_property
    def status(self) -> tuple[str, ...]:
        """Per rig parameter: "estimated", "tape only" or "held"."""
        _, tape_sd = self.tape
        unseen = self._unseen()
        status = []
        for i, parameter in enumerate(self.rig.parameters):
            left = self.covariance[i, i] / tape_sd[i] ** 2
            only_tape = left > 1 - TAPE_ONLY_SHARE if np.isfinite(tape_sd[i]) else unseen[i]
            status.append(
                "held" if parameter.held else "tape only" if only_tape else "estimated"
            )
        return tuple(status)

    def _unseen(self):
        """Mask over the rig parameters: those that the shots alone leave undetermined."""
        spectrum, free = self.shots_alone, self.adjustment.free
        null = spectrum.right[:, spectrum.rank :]
        unseen = np.zeros(len(free), bool)
        unseen[free] = np.einsum("ij,ij->i", null, null) > 1e-6
        return unseen[: len(self.rig.parameters)]


def solve(run: Run, near: Solution | None = None) -> Solution:
    """Solve a run for the rig's parameters and the placement of its stands.

    Parameters
    ----------
    near : Solution, optional
        Of nearly the same run: where it is known to end, to start from.

    Raises
    ------
    InputError
        If a sensor is blind in a pose that has shots.
    NotDetermined, NotConverged
        From the engine; there is no result then.
    """
    problem = problem_of(run)
    if near is not None:
        problem = _started_at(problem, near)
    readings = run.poses.readings + problem.start_corrections
    try:
        adjustment = adjust(
            problem,
            problem.observations,
            problem.start,
            names=problem.names,
            prior=problem.prior,
            held=problem.held,
            corrections=problem.start_corrections,
        )
    except (NotConverged, NotDetermined, ModelNotFinite) as error:
        # A blind sensor is the likelier reason. Starting values may be degrees off: only a pose
        # far beyond the limit counts.
        _refuse_blind(problem, problem.start, readings, 5 * BLIND_GAIN)
        if isinstance(error, ModelNotFinite):
            raise NotConverged(str(error)) from error
        raise
    solution = Solution(problem, adjustment)
    _refuse_blind(problem, adjustment.parameters, solution.readings_used, BLIND_GAIN)
    return solution


def _started_at(problem, near):
    """The problem with the starting values of the unknowns that a solution has too."""
    solved = dict(zip(near.adjustment.names, near.adjustment.parameters, strict=True))
    start = np.array([solved.get(name, value)
                      for name, value in zip(problem.names, problem.start, strict=True)])
    start[problem.held] = problem.start[problem.held]
    corrections = problem.start_corrections
    if near.run.poses.ids == problem.run.poses.ids:
        both = problem.observations.readings_aside & near.problem.observations.readings_aside
        corrections = np.where(both, near.adjustment.corrections, corrections)
    return replace(problem, start=start, start_corrections=corrections)


def problem_of(run: Run) -> Problem:
    """Set up the adjustment of a run: observations, tape as prior, starting values."""
    shot_stands = [run.poses.stand[p] for p in run.shots.pose]
    stands = tuple(dict.fromkeys(shot_stands))
    number = {name: i for i, name in enumerate(stands)}
    stand_of_pose = np.array([number.get(name, -1) for name in run.poses.stand])
    names = (
        *run.rig.parameter_names,
        *(f"{what} of stand {stand}" for stand in stands for what in PLACEMENT),
        *stations.names_of(run.set_ups),
    )
    parameters = starting_parameters(run)
    placed = np.concatenate([parameters, _starting_placements(run, parameters, stand_of_pose)])
    start = np.append(placed, np.zeros(len(names) - len(placed)))
    tape = _tape_prior(run, len(start))
    held = np.concatenate([run.rig.held, np.zeros(len(start) - len(parameters), bool)])
    problem = Problem(
        run=run,
        stands=stands,
        stand_of_pose=stand_of_pose,
        names=names,
        observations=_observations(run),
        prior=stations.joined(tape, stations.prior_of(run.set_ups, len(placed), len(start))),
        start=start,
        start_corrections=np.zeros_like(run.poses.readings),
        held=held,
        n_taped=len(tape.values),
    )
    return replace(problem, start_corrections=_starting_corrections(problem))


def starting_parameters(run: Run) -> np.ndarray:
    """The template's values, replaced by the tape where it gives one."""
    taped, _ = tape_by_parameter(run.rig, run.tape)
    return np.where(np.isfinite(taped), taped, run.rig.start)


def tape_by_parameter(rig: Rig, tape: Tape) -> tuple[np.ndarray, np.ndarray]:
    """Taped value and sd per rig parameter, NaN where there is none."""
    value, sd = np.full((2, len(rig.parameters)), np.nan)
    for quantity, v, s in zip(tape.quantities, tape.value, tape.sd, strict=True):
        if quantity in rig.parameter_names:
            i = rig.parameter_names.index(quantity)
            value[i], sd[i] = v, s
    return value, sd


def _observations(run):
    shots, n_poses = run.shots, len(run.poses.ids)
    aside = ~np.isfinite(run.poses.sd)
    rows_of_pose = [np.flatnonzero(shots.pose == p) for p in range(n_poses)]
    covariances = []
    for rows in rows_of_pose:
        block = np.zeros((len(rows), 3, len(rows), 3))
        block[np.arange(len(rows)), :, np.arange(len(rows)), :] = shots.covariance[rows]
        covariances.append(block.reshape(3 * len(rows), 3 * len(rows)))
    return Observations.build(
        shots.position.reshape(-1),
        np.repeat(shots.pose, 3),
        covariances,
        run.poses.readings,
        np.where(aside, 1e-3, run.poses.sd)[:, :, None] ** 2 * np.eye(aside.shape[1]),
        aside,
    )


def _starting_corrections(problem):
    """Roughly what a reading that is set aside should be, from the shots of its pose."""
    run, aside = problem.run, problem.observations.readings_aside
    corrections = np.zeros_like(run.poses.readings)

    def misfit(corrections):
        points = problem.points(problem.start, run.poses.readings + corrections,
                                run.shots.target, run.shots.pose, jacobian=False)
        squares = np.sum((run.shots.position - points.position) ** 2, axis=1)
        return np.bincount(run.shots.pose, np.nan_to_num(squares, nan=np.inf), len(aside))

    for reading in np.flatnonzero(aside.any(0)):
        best, least = np.zeros(len(aside)), _BETTER * misfit(corrections)
        for turn in _TURNS:
            trial = corrections.copy()
            trial[aside[:, reading], reading] = turn
            off = misfit(trial)
            best, least = np.where(off < least, turn, best), np.minimum(off, least)
        corrections[aside[:, reading], reading] = best[aside[:, reading]]
    return corrections


def _tape_prior(run, n_unknowns):
    """The tape rows as pseudo-observations, without those on held parameters."""
    rig, tape = run.rig, run.tape
    used = [i for i, name in enumerate(tape.quantities) if name not in rig.untold]
    if not used:
        return Prior.none()
    names = tuple(tape.quantities[i] for i in used)
    all_names = (*rig.parameter_names, *(d.name for d in rig.derived))
    pick = np.array([all_names.index(name) for name in names])
    n_rig, n_all = len(rig.parameters), len(all_names)
    derived_taped, taped = (pick >= n_rig).any(), tape.value[used]
    bearing = np.array([u == "deg" for u in (*("" for _ in rig.parameters),
                                             *(d.unit for d in rig.derived))])[pick]
    gradient = np.eye(n_all, n_unknowns)

    def taped_quantities(unknowns):
        values, rates = np.zeros(n_all), gradient
        values[:n_rig] = unknowns[:n_rig]
        if derived_taped:
            rates = gradient.copy()
            values[n_rig:], rates[n_rig:, :n_rig] = derived_values(rig, unknowns[:n_rig])
            rates[n_rig:, n_rig:] = 0.0
        turns = np.round((values[pick] - taped) / (2 * np.pi)) * bearing
        return values[pick] - 2 * np.pi * turns, rates[pick]

    return Prior(names, tape.value[used], np.diag(tape.sd[used] ** 2), taped_quantities)


def _starting_placements(run, parameters, stand_of_pose):
    """Closed-form level rigid fit of predicted to measured points, stand by stand."""
    shots = run.shots
    level = np.tile(HOUSE_PLACEMENT, (len(run.poses.ids), 1))
    house = run.rig.chain.posture(parameters, level, run.poses.readings, jacobian=False)
    predicted = house.points(shots.target, shots.pose).position
    stand_of_shot = stand_of_pose[shots.pose]
    whole = np.isfinite(run.poses.sd).all(1)[shots.pose]
    placements = []
    for stand in range(stand_of_pose.max(initial=-1) + 1):
        rows = stand_of_shot == stand
        if len(set(shots.pose[rows & whole])) > 1:  # a reading that is set aside may be far off
            rows &= whole
        placements.append(_level_fit(predicted[rows], shots.position[rows]))
    return np.concatenate(placements) if placements else np.zeros(0)


def _level_fit(house, site):
    """East, north, up, heading that carry points of the levelled house frame to the site frame."""
    house_mean, site_mean = house.mean(0), site.mean(0)
    a, b = (house - house_mean)[:, :2], (site - site_mean)[:, :2]
    turn = np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b))
    cosine, sine = np.cos(turn), np.sin(turn)
    rotated = np.array([cosine * house_mean[0] - sine * house_mean[1],
                        sine * house_mean[0] + cosine * house_mean[1], house_mean[2]])
    return np.append(site_mean - rotated, np.pi / 2 - turn)


def _refuse_blind(problem, unknowns, readings, limit):
    run = problem.run
    posture = run.rig.chain.posture(
        unknowns[: len(run.rig.parameters)], problem.placement(unknowns), readings, False
    )
    shot = np.isin(np.arange(len(run.poses.ids)), run.shots.pose)
    blind = ~(np.abs(posture.gain) <= limit) & shot[:, None]
    if blind.any():
        raise InputError(tuple(
            Complaint(
                "readings.csv", run.poses.line[pose], run.rig.reading_names[reading],
                f"{np.degrees(run.poses.readings[pose, reading]):.2f}",
                f"a pose in which this sensor can see its joint (pose {run.poses.ids[pose]}: its "
                "axis is too near the vertical; leave the pose and its shots out)",
            )
            for pose, reading in np.argwhere(blind)
        ))
