"""Sag and play: what is left over, against reach, joint angles and direction of approach.

Each trend is one or two columns added to the linearised problem and tested as a bias of that form
(`calib.adjust.reliability.hypothesis_test`), so that whatever the parameters can take up of it is
accounted for: a trend that a zero or a length explains is not seen, and does no harm.
"""

from dataclasses import dataclass

import numpy as np

from calib.adjust.distributions import chi2_sf
from calib.adjust.reliability import hypothesis_test
from calib.calibration import Solution
from calib.chain.circle import wrapped
from calib.chain.effects import effects_of
from calib.run.records import Run

#: A clean run shows a trend with this probability.
RUN_LEVEL = 0.05

#: What goes with something: a component of the misses, or a reading.
ALONG, LEFT, UP, PLAY, SCALE = "along", "left", "up", "play", "scale"

#: What a miss may go with besides a joint.
REACH = "reach"

#: A joint that moved by less than this many sds of its reading was not moved.
MOVED = 5.0


@dataclass(frozen=True)
class Trend:
    """A trend that was looked for."""

    #: "along", "left", "up", "play" or "scale". The component of the misses; a reading against its
    #: direction of approach, or itself.
    what: str
    against: str  #: "reach", or a reading or its joint.
    #: slope, sd: mm per m of reach, mm per deg of joint angle, % of the reading, or deg of play;
    #: NaN where the trend has two parts (sine and cosine).
    slope: float
    sd: float
    unit: str
    statistic: float  #: Chi-square of `dof` without a trend.
    dof: int
    chance: float  #: That the strongest of all trends of a clean run is as strong.
    effects: tuple[str, ...]  #: What the rig leaves out and would show so (`calib.chain.effects`).

    @property
    def significant(self) -> bool:
        return self.chance < RUN_LEVEL


def trends(solution: Solution) -> tuple[Trend, ...]:
    """Look for every trend, strongest first."""
    looked_for = [*_misses_against(solution), *_of_readings(solution)]
    tested = [(each, hypothesis_test(solution.adjustment, each[2])) for each in looked_for]
    tested = [(each, test) for each, test in tested if test.dof]
    made, effects = [], effects_of(solution.rig.definition)
    for (what, against, columns, factor, unit), test in tested:
        single = float(chi2_sf(test.statistic, test.dof))
        chance = 1.0 - (1.0 - single) ** len(tested)
        alone = columns.shape[1] == 1
        slope = factor * float(test.bias[0]) if alone else np.nan
        sd = abs(slope) / np.sqrt(test.statistic) if alone and test.statistic > 0 else np.nan
        shown = tuple(e.name for e in effects.values() if not e.there and any(
            t[:2] == (what, against) and (len(t) < 3 or t[2] * slope > 0) for t in e.trends))
        made.append(Trend(what, against, slope, sd, unit, test.statistic, test.dof, chance,
                          shown))
    return tuple(sorted(made, key=lambda t: (chi2_sf(t.statistic, t.dof), -t.statistic)))


def _misses_against(solution):
    """Along, left and up against reach and against every joint angle.

    Yields what, against, columns, factor and unit, as the others do.
    """
    run, rig = solution.run, solution.rig
    axes, reach, joints = _house_view(solution)
    against = [(REACH, (reach - reach.mean())[:, None], "m", 1e3)]
    for j, reading in enumerate(rig.readings):
        angle = joints[run.shots.pose, j]
        if np.ptp(angle) < 1e-6:
            continue
        if np.ptp(angle) > np.pi:
            parts = np.column_stack([np.sin(angle), np.cos(angle)])
        else:
            parts = (angle - angle.mean())[:, None]
        against.append((reading.name, parts, "deg", 1e3 * np.radians(1.0)))
    for of, parts, per, factor in against:
        for component, direction in axes.items():
            columns = np.einsum("nc,nk->nck", direction, parts).reshape(-1, parts.shape[1])
            yield component, of, columns, factor, f"mm/{per}"


def _of_readings(solution):
    """A reading that depends on which way its joint came, or is in proportion too large."""
    run = solution.run
    came = approach(run)
    b = solution.adjustment.linearised.by_readings.reshape(len(run.shots), 3, -1)
    for j, reading in enumerate(run.rig.readings):
        if reading.speed is None:
            continue
        way, angle = came[run.shots.pose, j], run.poses.readings[run.shots.pose, j]
        if way.min() < 0 < way.max():
            column = (-b[:, :, j] * way[:, None] / 2).reshape(-1, 1)
            yield PLAY, reading.name, column, np.degrees(1.0), "deg"
        column = (-b[:, :, j] * (angle - angle.mean())[:, None]).reshape(-1, 1)
        yield SCALE, reading.name, column, 100.0, "%"


def approach(run: Run) -> np.ndarray:
    """Which way each reading moved from the pose before at its stand, shape (n_poses, n_readings).

    +1, -1, or 0 where it did not.
    """
    came = np.zeros(run.poses.readings.shape)
    last: dict[str, int] = {}
    for p, stand in enumerate(run.poses.stand):
        if stand in last:
            step = wrapped(run.poses.readings[p] - run.poses.readings[last[stand]])
            came[p] = np.where(np.abs(step) > MOVED * run.poses.sd[p], np.sign(step), 0.0)
        last[stand] = p
    return came


def _house_view(solution):
    """Unit vectors along, left and up per shot (n, 3), reach per shot (n,), joints per pose."""
    run, problem = solution.run, solution.problem
    unknowns, shots = solution.adjustment.parameters, run.shots
    placement, house = problem.placement(unknowns), houses(solution)
    posture = run.rig.chain.posture(solution.parameters, placement, solution.adjusted_readings,
                                    False, run.noted)
    points = posture.points(shots.target, shots.pose).position
    heading = house[shots.pose, 3]
    zero, one = np.zeros(len(shots)), np.ones(len(shots))
    axes = {
        ALONG: np.column_stack([np.sin(heading), np.cos(heading), zero]),
        LEFT: np.column_stack([-np.cos(heading), np.sin(heading), zero]),
        UP: np.column_stack([zero, zero, one]),
    }
    reach = np.einsum("nc,nc->n", points - house[shots.pose, :3], axes[ALONG])
    return axes, reach, posture.joints


def houses(solution: Solution) -> np.ndarray:
    """East, north, up (m) of the boom foot pin and heading (rad) of the house, (n_poses, 4).

    It is at the stand, unless it was swung.
    """
    problem, rig = solution.problem, solution.rig
    placement = problem.placement(solution.adjustment.parameters)
    slew = np.array([r.kind == "slew" for r in rig.readings])
    if not slew.any():
        return placement
    posture = rig.chain.posture(solution.parameters, placement, solution.adjusted_readings, False,
                                solution.run.noted)
    origin = posture.positions.get("house", placement[:, :3])
    return np.column_stack([origin, placement[:, 3] - posture.joints[:, slew].sum(1)])
