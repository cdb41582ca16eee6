"""Where run, chain and adjustment meet: a run becomes a problem, the problem a solution."""

from dataclasses import dataclass, replace
from functools import cached_property
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from calib import machine, stations
from calib.adjust.adjustment import Adjustment
from calib.adjust.mixed_model import ModelNotFinite, NotConverged, adjust
from calib.adjust.observations import BlockGroup, Model, Observations, Prediction, Prior
from calib.adjust.spectrum import NotDetermined, Spectrum
from calib.adjust.threads import one_thread
from calib.chain.motion import HOUSE_PLACEMENT
from calib.chain.posture import Points
from calib.chain.rig import Rig
from calib.chain.sensors import BLIND_GAIN
from calib.layout import RIG, SET_UP, STAND, Layout, Part, layout_of, placed
from calib.placements import level_placements
from calib.run.blind import refuse_blind
from calib.run.records import Machine, Run, Shots, Tape
from calib.taped import TapedFunction

if TYPE_CHECKING:
    import pandas as pd

#: A taped parameter whose variance the shots reduce by less than this share is "tape only".
TAPE_ONLY_SHARE = 0.01

#: Angles at which the search for a reading that is set aside begins, and how much better than the
#: reading as it was one must fit.
_TURNS, _BETTER = np.radians(np.arange(-180.0, 180.0, 15.0)), 0.5

#: Poses whose points are predicted at a time.
_AT_A_TIME = 1000


@dataclass(frozen=True)
class Problem:
    """A run as an adjustment problem."""

    run: Run
    stands: tuple[str, ...]  #: The stands that have shots, in order of first appearance.
    stand_of_pose: np.ndarray  #: Int, shape (n_poses,). -1 for a pose whose stand has no shots.
    layout: Layout  #: What the unknowns are.
    observations: Observations
    prior: Prior
    start: np.ndarray  #: Shape (n_unknowns,).
    #: Shape (n_poses, n_readings). Of readings that are set aside, rad; 0 of the others.
    start_corrections: np.ndarray
    n_taped: int  #: How many of the prior's values are taped; they come first.
    #: How many come next, of what is known of the machine; the others are of set-ups.
    n_machine: int = 0

    def __repr__(self):
        return (f"<Problem: {len(self.observations.values)} observations, "
                f"{len(self.layout)} unknowns>")

    @property
    def names(self) -> tuple[str, ...]:
        """One per unknown."""
        return self.layout.names

    @property
    def held(self) -> np.ndarray:
        """Mask, shape (n_unknowns,)."""
        return self.layout.held

    def relabelled(self, run: Run) -> "Problem":
        """The same of other shots and readings in the same poses; the start stays where it is."""
        return replace(self, run=run, observations=_observations(run))

    @property
    def model(self) -> Model:
        """For the engine: design in columns of stands where there are many of them."""
        return self if self.layout.split is None else self._split

    def points(self, unknowns: np.ndarray, readings: np.ndarray, target: np.ndarray,
               pose: np.ndarray, jacobian: bool = True) -> Points:
        """Predicted points in the site frame; see `calib.chain.chain.Posture.points`."""
        if len(readings) <= _AT_A_TIME:
            return self._points(unknowns, readings, slice(None), target, pose, jacobian)
        # Some poses at a time: what lies between readings and points is far larger than either.
        order = np.argsort(pose, kind="stable")
        whole: list[np.ndarray] = []
        for first in range(0, len(readings), _AT_A_TIME):
            poses = slice(first, first + _AT_A_TIME)
            rows = order[slice(*np.searchsorted(pose[order], [poses.start, poses.stop]))]
            some = self._points(unknowns, readings, poses, target[rows], pose[rows] - first,
                                jacobian)
            parts = (some.position, some.by_parameters, some.by_placement, some.by_readings)
            whole = whole or [np.empty((len(pose), *part.shape[1:])) for part in parts]
            for array, part in zip(whole, parts, strict=True):
                array[rows] = part
        return Points(*whole)

    def _points(self, unknowns, readings, poses, target, pose, jacobian):
        """Those of the shots of some poses, a slice; `pose` counts from its start."""
        posture = self.run.rig.chain.posture(
            self.parameters(unknowns), self.placement(unknowns)[poses], readings[poses], jacobian,
            self.run.noted[poses])
        return posture.points(target, pose)

    def parameters(self, unknowns: np.ndarray) -> np.ndarray:
        """Of the rig, shape (n_parameters,)."""
        return self.layout.of(RIG, unknowns)[0]

    def placement(self, unknowns: np.ndarray) -> np.ndarray:
        """East, north, up, heading of each pose's stand, shape (n_poses, 4)."""
        return np.vstack([self.layout.of(STAND, unknowns), HOUSE_PLACEMENT])[self.stand_of_pose]

    def corrections(self, unknowns: np.ndarray) -> np.ndarray:
        """Shift east, north, up (m) and clockwise turn (rad) of each set-up, (n_setups, 4)."""
        return self.layout.of(SET_UP, unknowns)

    def parts(self, unknowns: np.ndarray, readings: np.ndarray, shots: Shots
              ) -> tuple[np.ndarray, list[Part], np.ndarray]:
        """What shots should show, (n, 3), and the derivatives by each scope and by readings."""
        points = self.points(unknowns, readings, shots.target, shots.pose)
        parts = placed(points, self.stand_of_pose[shots.pose])
        set_ups = self.run.set_ups
        if set_ups is None or shots.setup is None:
            return points.position, parts, points.by_readings
        seen = stations.seen(points.position, shots.setup, set_ups, self.corrections(unknowns))
        parts = [part._replace(derivatives=seen.by_point @ part.derivatives) for part in parts]
        parts.append(Part(SET_UP, shots.setup, seen.by_corrections))
        return seen.position, parts, seen.by_point @ points.by_readings

    def values(self, unknowns: np.ndarray, readings: np.ndarray) -> np.ndarray:
        """Predicted shot coordinates, row by row, without derivatives."""
        shots, set_ups = self.run.shots, self.run.set_ups
        position = self.points(unknowns, readings, shots.target, shots.pose, False).position
        if set_ups is not None and shots.setup is not None:
            position = stations.seen(position, shots.setup, set_ups,
                                     self.corrections(unknowns)).position
        return position.ravel()

    def __call__(self, unknowns: np.ndarray, readings: np.ndarray) -> Prediction:
        """Predicted shot coordinates, row by row."""
        return self._rows(unknowns, readings, self.layout.dense)

    def _split(self, unknowns, readings):
        """The same, the columns of each instance of ``layout.split`` by themselves."""
        return self._rows(unknowns, readings, self.layout.bordered)

    def _rows(self, unknowns, readings, design):
        position, parts, by_readings = self.parts(unknowns, readings, self.run.shots)
        by_unknowns, n = design(parts), position.size
        if isinstance(by_unknowns, np.ndarray):
            by_unknowns = by_unknowns.reshape(n, -1)
        return Prediction(position.reshape(n), by_unknowns, by_readings.reshape(n, -1))


@dataclass(frozen=True)
class Solution:
    """A solved run.

    Attributes
    ----------
    adjustment : Adjustment
        ``problem.layout`` tells what its unknowns are.
    """

    problem: Problem
    adjustment: Adjustment

    def __repr__(self):
        run, adjustment = self.run, self.adjustment
        fit = "" if adjustment.variance_factor is None else (
            f", variance factor {adjustment.variance_factor:.3g}")
        return (f"<Solution: {len(run.shots)} shots, {len(np.unique(run.shots.pose))} poses, "
                f"{len(self.problem.stands)} stands, {adjustment.free.sum()} unknowns{fit}>")

    def _repr_html_(self):
        table = self.frame("parameters").query("scope == 'rig'")
        table = table[["value", "sd", "unit", "tape", "tape_sd"]].rename_axis(None)
        return f"<p>{escape(repr(self))}</p>{table.to_html(float_format='{:.5g}'.format)}"

    def frame(self, of: str) -> "pd.DataFrame":
        """A pandas DataFrame in m and deg, with sds; see `calib.frames`.

        Parameters
        ----------
        of : str
            "parameters" (every unknown), "shots" or "readings".
        """
        from calib.frames import FRAMES, frame_of  # pandas takes half a second to come

        return frame_of(self, of, FRAMES)

    @property
    def run(self) -> Run:
        return self.problem.run

    @property
    def rig(self) -> Rig:
        return self.problem.run.rig

    @property
    def parameters(self) -> np.ndarray:
        """Rig parameters, shape (n_parameters,), m or rad."""
        return self.problem.parameters(self.adjustment.parameters)

    @property
    def covariance(self) -> np.ndarray:
        """A-priori covariance of the rig parameters, zero rows where held."""
        columns = self.problem.layout.columns(RIG, "")
        return self.adjustment.covariance[np.ix_(columns, columns)]

    @cached_property
    def stands(self) -> np.ndarray:
        """East, north, up (m) and heading (rad, 0 to 2 pi) per stand, shape (n_stands, 4)."""
        stands = self.problem.layout.of(STAND, self.adjustment.parameters)
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
        predicted = self.problem.values(self.adjustment.parameters, self.readings_used)
        return self.run.shots.position - predicted.reshape(-1, 3)

    @cached_property
    def shots_alone(self) -> Spectrum:
        """Spectrum of the design without the tape: what the shots themselves can tell."""
        return self.adjustment.linearised.spectrum_without(self.problem.n_taped)

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
        return self.problem.parameters(unseen)


@one_thread
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
            problem.model,
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
        if isinstance(error, NotConverged) and error.block is not None:
            pose = f"pose {run.poses.ids[error.block]}"
            raise NotConverged(str(error).replace(f"block {error.block}", pose)) from error
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
    layout = layout_of(run.rig, stands, () if run.set_ups is None else run.set_ups.ids)
    tape = _tape_prior(run, layout)
    known = machine.prior_of(run.machine, run.rig, layout.columns(RIG, ""))
    problem = Problem(
        run=run,
        stands=stands,
        stand_of_pose=stand_of_pose,
        layout=layout,
        observations=_observations(run),
        prior=stations.joined(stations.joined(tape, known),
                              stations.prior_of(run.set_ups, layout.columns(SET_UP))),
        start=_start(run, layout, stand_of_pose, starting_parameters(run)),
        start_corrections=np.zeros_like(run.poses.readings),
        n_taped=len(tape.values),
        n_machine=len(known.values),
    )
    return replace(problem, start_corrections=_starting_corrections(problem))


def starting_parameters(run: Run) -> np.ndarray:
    """As of `known_parameters`, of a run."""
    return known_parameters(run.rig, run.tape, run.machine)


def known_parameters(rig: Rig, tape: Tape, machine: Machine | None) -> np.ndarray:
    """The template's values, replaced by the tape, or what is known of the machine, if given."""
    taped, _ = tape_by_parameter(rig, tape)
    start = np.where(np.isfinite(taped), taped, rig.start)
    if machine is not None:
        told = dict(zip(machine.names, machine.value, strict=True))
        start = np.array([value if p.held else told.get(p.name, value)
                          for p, value in zip(rig.parameters, start, strict=True)])
    return start


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
    order, count = np.argsort(shots.pose, kind="stable"), np.bincount(shots.pose, None, n_poses)
    first = np.cumsum(count) - count
    groups = []
    for size in np.unique(count[count > 0]):
        poses, own = np.flatnonzero(count == size), np.arange(size)
        blocks = np.zeros((len(poses), size, 3, size, 3))
        rows = order[first[poses][:, None] + own]
        blocks[:, own, :, own, :] = shots.covariance[rows].swapaxes(0, 1)
        coordinates = (3 * rows[:, :, None] + np.arange(3)).reshape(len(poses), -1)
        groups.append(BlockGroup(coordinates, poses, blocks.reshape(-1, 3 * size, 3 * size)))
    return Observations.of_groups(
        shots.position.reshape(-1),
        groups,
        n_poses,
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


def _tape_prior(run, layout):
    """The tape rows as pseudo-observations, without those on held parameters."""
    rig, tape = run.rig, run.tape
    used = [i for i, name in enumerate(tape.quantities) if name not in rig.untold]
    if not used:
        return Prior.none()
    names = tuple(tape.quantities[i] for i in used)
    return Prior(names, tape.value[used], np.diag(tape.sd[used] ** 2),
                 TapedFunction(rig, names, tape.value[used], layout.columns(RIG, "")))


def _start(run, layout, stand_of_pose, parameters):
    """All unknowns, the stands where these parameters put them."""
    shots, start = run.shots, np.zeros(len(layout))
    house = run.rig.chain.posture(parameters, HOUSE_PLACEMENT, run.poses.readings, False,
                                  run.noted)
    predicted = house.points(shots.target, shots.pose).position
    whole = np.isfinite(run.poses.sd).all(1)[shots.pose]
    start[layout.columns(RIG)] = parameters
    start[layout.columns(STAND)] = level_placements(
        predicted, shots.position, shots.pose * (shots.target.max(initial=0) + 1) + shots.target,
        stand_of_pose[shots.pose], whole)
    return start


def _refuse_blind(problem, unknowns, readings, limit):
    run = problem.run
    posture = run.rig.chain.posture(
        problem.parameters(unknowns), problem.placement(unknowns), readings, False, run.noted
    )
    refuse_blind(run.rig, run.poses, run.shots, ~(np.abs(posture.gain) <= limit))
