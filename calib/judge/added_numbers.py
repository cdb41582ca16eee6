"""The numbers that a model may lack: jumps, gains, heights, set-ups, another bucket, and more."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from calib.calibration import Solution, starting_parameters
from calib.judge import facts
from calib.judge.added import Added, Score, scores
from calib.judge.changed import with_readings, with_shots
from calib.judge.correlation import order_of_shots
from calib.judge.mistakes import moments, moments_at_stands, shot_poses
from calib.judge.trends import approach
from calib.layout import RIG, STAND
from calib.run.records import Run, Tape

#: Moments at which something may have changed that are tried.
_MOST_MOMENTS = 60

#: A height step smaller than this is no pole, m; a machine settles by less than that.
LEAST_POLE, MOST_SETTLED = 0.03, 0.05

#: What a held parameter is said to be as surely as a held one is, m or rad.
_SURE = 1e-6


def all_added(run: Run, most: int = _MOST_MOMENTS) -> list[Added]:
    """Every number that is tested; changes at so many moments at most."""
    return [*_zero_jumps(run, most), *_gains(run), *_felt(run), *_elsewhere(run), _scale(run),
            *_set_up(run), *_heights(run, most), *_buckets(run, most), *_moves(run, most)]


def scores_of(solution: Solution) -> list[Score]:
    """The tests of every added number at a solution."""
    fit = solution.adjustment
    return scores(solution.run, fit.parameters, fit.corrections, all_added(solution.run))


def _zero_jumps(run, most):
    poses, names, ids = shot_poses(run), run.rig.reading_names, run.poses.ids
    when = list(moments(poses, most))
    return [_shown_more("zero shifted", j, np.where(np.arange(len(ids)) >= later[0], 1.0, 0.0),
                        partial(facts.ZeroShifted, name, ids[earlier[-1]], ids[later[0]]),
                        len(names) * len(when))
            for j, name in enumerate(names) for earlier, later in when]


def _gains(run):
    # Of a house that is hardly moved a gain is its zero.
    driven = [j for j, r in enumerate(run.rig.readings) if r.speed is not None]
    for j in driven:
        def columns(problem, parameters, prediction, j=j):
            reading = problem.observations.readings[problem.run.shots.pose, j]
            return -prediction.by_readings[:, [j]] * np.repeat(reading, 3)[:, None]

        def undo(run, values, *_, j=j):
            readings = run.poses.readings.copy()
            readings[:, j] /= max(1 + values[0], 0.1)
            return with_readings(run, readings)

        def fact(values, name=run.rig.reading_names[j]):
            return facts.Gain(name, float(values[0])) if -0.5 < values[0] < 1.0 else None

        yield Added("gain", len(driven), columns, fact, undo)


def _felt(run):
    """A reading that creeps from the first pose to the last, or feels which way its joint came."""
    poses = shot_poses(run)
    share = np.zeros(len(run.poses.ids))
    share[poses] = np.linspace(0.0, 1.0, len(poses))
    came, count = approach(run) / 2, len(run.rig.readings)
    for j, reading in enumerate(run.rig.readings):
        yield _shown_more("creep", j, share, partial(facts.Creeps, reading.name), count)
        way = came[poses, j]
        if reading.speed is not None and way.min() < 0 < way.max():
            yield _shown_more("approach", j, came[:, j],
                              partial(facts.FeelsApproach, reading.name), count)


def _shown_more(family, j, share, fact: Callable[[float], facts.Fact], members):
    """A reading that shows so much of a number more in each pose: shown = true + share * number."""
    def columns(problem, parameters, prediction):
        return -prediction.by_readings[:, [j]] * np.repeat(share[problem.run.shots.pose],
                                                           3)[:, None]

    def undo(run, values, *_):
        readings = run.poses.readings.copy()
        readings[:, j] -= share * values[0]
        return with_readings(run, readings)

    return Added(family, members, columns, lambda values: fact(float(values[0])), undo)


def _elsewhere(run):
    """Held parameters that are not what they are held at."""
    held = [(i, p) for i, p in enumerate(run.rig.parameters)
            if p.held and p.held != "until shot"]
    for i, p in held:
        def columns(problem, parameters, prediction, i=i):
            its = problem.layout.columns(RIG, "")[i]
            return np.asarray(prediction.by_parameters)[:, [its]]

        def undo(run, values, *_, i=i, p=p):
            at = starting_parameters(run)[i] + values[0]
            own = run.tape.select(np.array([q != p.name for q in run.tape.quantities], bool))
            row = Tape((p.name,), np.array([at]), np.array([_SURE]), (p.unit,), (0,))
            return replace(run, tape=own.joined(row))

        def fact(values, p=p):
            return facts.HeldElsewhere(p.name, p.unit, float(values[0]))

        yield Added("held", len(held), columns, fact, undo)


def _set_up(run):
    """A set-up that is not level, or turns or drifts little by little."""
    east, north, up = (run.shots.position - run.shots.position.mean(0)).T
    order, _ = order_of_shots(run)
    late = np.empty(len(order))
    late[order] = np.linspace(-0.5, 0.5, len(order))
    none = np.zeros(len(late))
    turning = np.column_stack([north, -east, none])
    for what, moves in (
        # How much each shot is off per unit of the numbers (n_shots, 3, d), m.
        (facts.TILTED, np.stack([np.column_stack([-up, none, east]),
                                 np.column_stack([none, -up, north])], 2)),
        (facts.TURNING, turning[:, :, None] * late[:, None, None]),
        (facts.DRIFTING, late[:, None, None] * np.eye(3)),
    ):
        def fact(values, what=what):
            return facts.SetUpOff(what, tuple(values.tolist()))

        def undo(run, values, *_, moves=moves):
            return with_shots(run, position=run.shots.position - moves @ values)

        yield Added("set-up", 3, lambda *_, moves=moves: moves.reshape(-1, moves.shape[2]), fact,
                    undo)


def _scale(run):
    middle = run.shots.position.mean(0)

    def columns(problem, parameters, prediction):
        return (prediction.values.reshape(-1, 3) - middle).reshape(-1, 1)

    def undo(run, values, *_):
        factor = max(1 + values[0], 0.1)
        return with_shots(run, position=middle + (run.shots.position - middle) / factor)

    return Added("scale", 1, columns, lambda values: facts.Scale(1 + float(values[0])), undo,
                 every_shot=True)


def _heights(run, most):
    """The same height too much in the shots of a pose, at a target, or from some pose on."""
    poses, ids, shots = shot_poses(run), run.poses.ids, run.shots
    targets = np.unique(shots.target)

    def of_poses(some):
        return (np.isin(shots.pose, some),
                facts.ShotsOf(first=ids[some[0]], last=ids[some[-1]]))

    for p in poses:
        yield _height(len(poses), *of_poses([p]))
    for t in targets if len(targets) > 1 else ():
        yield _height(len(targets), shots.target == t, facts.ShotsOf(run.rig.target_names[t]))
    for _, earlier, later in moments_at_stands(run, most):
        yield _height(len(poses), *of_poses(later), *of_poses(earlier))


def _height(members, mask, these, others=None, those=None):
    """Heights of the shots in `mask`; lower ones may be the `others` of that stand too high.

    `these` and `those` say of what poses or target the shots and the others are.
    """
    def fact(values):
        bias = float(values[0])
        if those is not None and abs(bias) < MOST_SETTLED:
            return facts.Settled(those.last, these.first, bias, these)
        which, bias = (those, -bias) if those is not None and bias < 0 else (these, bias)
        return facts.HeightsOff(which, bias, abs(bias) < LEAST_POLE)

    def undo(run, values, *_):
        is_others = those is not None and values[0] <= -MOST_SETTLED
        position = run.shots.position.copy()
        position[others if is_others else mask, 2] -= abs(values[0]) if is_others else values[0]
        return with_shots(run, position=position)

    up = (mask[:, None] * np.array([0.0, 0.0, 1.0])).reshape(-1, 1)
    return Added("pole height", members, lambda *_: up, fact, undo)


def _buckets(run, most):
    """Another bucket than the taped one from some pose on, or up to it."""
    ids, edge = run.poses.ids, _edge_parameters(run)
    on_edge = np.isin(run.shots.target, run.rig.edge_targets)
    when = list(moments(shot_poses(run), most)) if len(edge) else []
    for before, since in when:
        later = run.shots.pose >= since[0]
        for mask, extent, pose in ((later, facts.FROM, ids[since[0]]),
                                   (~later, facts.UP_TO, ids[before[-1]])):
            yield _bucket(run, edge, mask & on_edge, facts.Where(extent, (pose,)), 2 * len(when))


def _bucket(run, edge, mask, where, members):
    """Other dimensions of the edge in the shots of `mask`."""
    parameters_of = run.rig.parameters

    def columns(problem, parameters, prediction):
        return prediction.by_parameters[:, edge] * np.repeat(mask, 3)[:, None]

    def undo(run, values, problem, parameters):
        other = parameters.copy()
        other[edge] += values
        readings, shots = run.poses.readings, problem.run.shots
        change = (problem.parts(other, readings, shots)[0]
                  - problem.parts(parameters, readings, shots)[0])
        return with_shots(run, position=run.shots.position - change * mask[:, None])

    def fact(values):
        return facts.OtherBucket(where, tuple(
            (parameters_of[i].name, parameters_of[i].unit, float(v))
            for i, v in zip(edge, values, strict=True)))

    return Added("other bucket", members, columns, fact, undo,
                 mend=lambda run: replace(run, shots=run.shots.select(~mask)))


def _edge_parameters(run):
    """Indices of the free parameters that the motions of edge targets use."""
    rig = run.rig
    used = {name for t in rig.edge_targets for motion in rig.targets[t].motions
            for name in motion.by}
    return np.array([i for i, p in enumerate(rig.parameters)
                     if p.name in used and not p.held], int)


def _moves(run, most) -> Iterator[Added]:
    """A machine that moved on its tracks: for the test alone (see `moved_between`)."""
    ids, members = run.poses.ids, len(shot_poses(run))
    for stand, earlier, later in moments_at_stands(run, most):
        def columns(problem, parameters, prediction, stand=stand, later=later):
            its, moved = problem.layout.columns(STAND, stand), np.isin(run.shots.pose, later)
            return prediction.by_parameters[:, its] * np.repeat(moved, 3)[:, None]

        def fact(values, names=(ids[earlier[-1]], ids[later[0]], stand)):
            return facts.Moved(*names)

        yield Added("moved", members, columns, fact)
