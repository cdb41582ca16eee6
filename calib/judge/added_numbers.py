"""The numbers that a model may lack: jumps, gains, heights, set-ups, another bucket, and more."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from calib.calibration import starting_parameters
from calib.judge import facts
from calib.judge.added import Added, as_fitted
from calib.judge.changed import with_readings, with_shots
from calib.judge.correlation import order_of_shots
from calib.judge.mistakes import Mistake
from calib.judge.trends import approach
from calib.layout import RIG, STAND
from calib.run.records import Run, Tape

#: Moments at which something may have changed that are tried.
_MOST_MOMENTS = 60

#: Poses before and after a moment of change, at least.
_LEAST_POSES = 2

#: A height step smaller than this is no pole, m; a machine settles by less than that.
LEAST_POLE, MOST_SETTLED = 0.03, 0.05

#: What a held parameter is said to be as surely as a held one is, m or rad.
_SURE = 1e-6


def all_added(run: Run, moments: int = _MOST_MOMENTS) -> list[Added]:
    """Every number that is tested; changes at so many moments at most."""
    return [*_zero_jumps(run, moments), *_gains(run), *_felt(run), *_elsewhere(run), *_scale(run),
            *_set_up(run), *_heights(run, moments), *_buckets(run, moments),
            *_moves(run, moments)]


def _moments(poses, most):
    """Places k in a list of poses where something may have changed between k - 1 and k."""
    every = range(_LEAST_POSES, len(poses) - _LEAST_POSES + 1)
    return list(every[:: -(-len(every) // most) or 1])


def _shot_poses(run):
    return [int(p) for p in np.unique(run.shots.pose)]


def _zero_jumps(run, most):
    poses, names, ids = _shot_poses(run), run.rig.reading_names, run.poses.ids
    moments = _moments(poses, most)
    return [_shown_more("zero shifted", j, np.where(np.arange(len(ids)) >= poses[k], 1.0, 0.0),
                        partial(facts.ZeroShifted, name, ids[poses[k - 1]], ids[poses[k]]),
                        len(names) * len(moments))
            for j, name in enumerate(names) for k in moments]


def _gains(run):
    added = []
    driven = [j for j, r in enumerate(run.rig.readings) if r.speed is not None]
    for j in driven:  # of a house that is hardly moved a gain is its zero
        def columns(problem, parameters, prediction, j=j):
            reading = problem.observations.readings[problem.run.shots.pose, j]
            return -prediction.by_readings[:, [j]] * np.repeat(reading, 3)[:, None]

        def undo(run, values, *_, j=j):
            readings = run.poses.readings.copy()
            readings[:, j] /= max(1 + values[0], 0.1)
            return with_readings(run, readings)

        def mistake(values, name=run.rig.reading_names[j]):
            gain = float(values[0])
            if not -0.5 < gain < 1.0:
                return None
            return Mistake("gain", facts.Gain(name, gain), as_fitted, free=1)

        added.append(Added("gain", len(driven), columns, mistake, undo))
    return added


def _felt(run):
    """A reading that creeps from the first pose to the last, or feels which way its joint came."""
    poses, added = _shot_poses(run), []
    share = np.zeros(len(run.poses.ids))
    share[poses] = np.linspace(0.0, 1.0, len(poses))
    came, count = approach(run) / 2, len(run.rig.readings)
    for j, reading in enumerate(run.rig.readings):
        added.append(_shown_more("creep", j, share, partial(facts.Creeps, reading.name), count))
        way = came[poses, j]
        if reading.speed is not None and way.min() < 0 < way.max():
            added.append(_shown_more("approach", j, came[:, j],
                                     partial(facts.FeelsApproach, reading.name), count))
    return added


def _shown_more(family, j, share, fact: Callable[[float], facts.Fact], members):
    """A reading that shows so much of a number more in each pose: shown = true + share * number."""
    def columns(problem, parameters, prediction):
        return -prediction.by_readings[:, [j]] * np.repeat(share[problem.run.shots.pose],
                                                           3)[:, None]

    def undo(run, values, *_):
        readings = run.poses.readings.copy()
        readings[:, j] -= share * values[0]
        return with_readings(run, readings)

    def mistake(values):
        return Mistake(family, fact(float(values[0])), as_fitted, free=1)

    return Added(family, members, columns, mistake, undo)


def _elsewhere(run):
    """Held parameters that are not what they are held at."""
    rig = run.rig
    held = [i for i, p in enumerate(rig.parameters) if p.held and p.held != "until shot"]
    added = []
    for i in held:
        parameter = rig.parameters[i]

        def columns(problem, parameters, prediction, i=i):
            its = problem.layout.columns(RIG, "")[i]
            return np.asarray(prediction.by_parameters)[:, [its]]

        def undo(run, values, *_, i=i, p=parameter):
            at = starting_parameters(run)[i] + values[0]
            own = run.tape.select(np.array([q != p.name for q in run.tape.quantities], bool))
            row = Tape((p.name,), np.array([at]), np.array([_SURE]), (p.unit,), (0,))
            return replace(run, tape=own.joined(row))

        def mistake(values, p=parameter):
            fact = facts.HeldElsewhere(p.name, p.unit, float(values[0]))
            return Mistake("held", fact, as_fitted, free=1)

        added.append(Added("held", len(held), columns, mistake, undo))
    return added


def _set_up(run):
    """A set-up that is not level, or turns or drifts little by little."""
    shots = run.shots
    position = shots.position - shots.position.mean(0)
    order, _ = order_of_shots(run)
    late = np.empty(len(order))
    late[order] = np.linspace(-0.5, 0.5, len(order))
    east, north, up = position.T
    none = np.zeros(len(position))
    tilted = np.stack([np.column_stack([-up, none, east]), np.column_stack([none, -up, north])], 2)
    turning = np.column_stack([north, -east, none])[:, :, None] * late[:, None, None]
    drifting = late[:, None, None] * np.eye(3)

    def one(what, moves):
        def undo(run, values, *_):
            return with_shots(run, position=run.shots.position - moves @ values)

        def mistake(values):
            fact = facts.SetUpOff(what, tuple(values.tolist()))
            return Mistake("set-up", fact, as_fitted, free=moves.shape[2])

        return Added("set-up", 3, lambda *_: moves.reshape(-1, moves.shape[2]), mistake, undo)

    return [one(facts.TILTED, tilted), one(facts.TURNING, turning),
            one(facts.DRIFTING, drifting)]


def _scale(run):
    middle = run.shots.position.mean(0)

    def columns(problem, parameters, prediction):
        return (prediction.values.reshape(-1, 3) - middle).reshape(-1, 1)

    def undo(run, values, *_):
        factor = max(1 + values[0], 0.1)
        return with_shots(run, position=middle + (run.shots.position - middle) / factor)

    def mistake(values):
        return Mistake("scale", facts.Scale(1 + float(values[0])), as_fitted, free=1,
                       every_shot=True)

    return [Added("scale", 1, columns, mistake, undo)]


def _heights(run, most):
    """The same height too much in the shots of a pose, at a target, or from some pose on."""
    poses, ids, shots = _shot_poses(run), run.poses.ids, run.shots
    added = [_height(run, shots.pose == p, facts.ShotsOf(first=ids[p], last=ids[p]), len(poses))
             for p in poses]
    targets = np.unique(shots.target)
    added += [_height(run, shots.target == t, facts.ShotsOf(run.rig.target_names[t]), len(targets))
              for t in targets if len(targets) > 1]
    for stand in dict.fromkeys(run.poses.stand[p] for p in poses):
        here = [p for p in poses if run.poses.stand[p] == stand]
        for k in _moments(here, most):
            added.append(_height(
                run, np.isin(shots.pose, here[k:]),
                facts.ShotsOf(first=ids[here[k]], last=ids[here[-1]]), len(poses),
                np.isin(shots.pose, here[:k]),
                facts.ShotsOf(first=ids[here[0]], last=ids[here[k - 1]])))
    return added


def _height(run, mask, these, members, others=None, those=None):
    """Heights of the shots in `mask`; lower ones may be the `others` of that stand too high.

    `these` and `those` say of what poses or target the shots and the others are.
    """
    def columns(problem, parameters, prediction):
        out = np.zeros((len(mask), 3))
        out[mask, 2] = 1.0
        return out.reshape(-1, 1)

    def undo(run, values, *_):
        return _lowered(run, mask, values[0])

    def mistake(values):
        bias = float(values[0])
        if those is not None and abs(bias) < MOST_SETTLED:
            return Mistake("settled", facts.Settled(those.last, these.first, bias, these),
                           partial(_lowered, mask=mask, by=bias), free=1)
        if those is not None and bias < 0:
            return height_mistake(those, others, -bias)
        return height_mistake(these, mask, bias)

    return Added("pole height", members, columns, mistake, undo)


def height_mistake(shots: facts.ShotsOf, mask: np.ndarray, bias: float) -> Mistake:
    """A height bias (m) common to some shots: a prism or pole height not taken off."""
    return Mistake("pole height", facts.HeightsOff(shots, bias, abs(bias) < LEAST_POLE),
                   partial(_lowered, mask=mask, by=bias), free=1)


def _lowered(run, mask, by):
    position = run.shots.position.copy()
    position[mask, 2] -= by
    return with_shots(run, position=position)


def _buckets(run, most):
    """Another bucket than the taped one from some pose on, or up to it."""
    poses, ids = _shot_poses(run), run.poses.ids
    edge = _edge_parameters(run)
    on_edge = np.isin(run.shots.target, run.rig.edge_targets)
    moments = _moments(poses, most) if len(edge) else []
    added = []
    for k in moments:
        later = run.shots.pose >= poses[k]
        for mask, extent, pose in ((later, facts.FROM, ids[poses[k]]),
                                   (~later, facts.UP_TO, ids[poses[k - 1]])):
            added.append(_bucket(run, edge, mask & on_edge, facts.Where(extent, (pose,)),
                                 2 * len(moments)))
    return added


def _bucket(run, edge, mask, where, members):
    """Other dimensions of the edge in the shots of `mask`."""
    parameters_of = run.rig.parameters

    def columns(problem, parameters, prediction):
        return prediction.by_parameters[:, edge] * np.repeat(mask, 3)[:, None]

    def undo(run, values, problem, parameters):
        other = parameters.copy()
        other[edge] += values
        readings, shots = run.poses.readings, problem.run.shots
        change = (problem.predicted(other, readings, shots).position
                  - problem.predicted(parameters, readings, shots).position)
        return with_shots(run, position=run.shots.position - change * mask[:, None])

    def mistake(values):
        differs = tuple((parameters_of[i].name, parameters_of[i].unit, float(v))
                        for i, v in zip(edge, values, strict=True))
        fact = facts.OtherBucket(where, differs)
        return Mistake("other bucket", fact, as_fitted, free=len(edge),
                       mend=lambda run: replace(run, shots=run.shots.select(~mask)))

    return Added("other bucket", members, columns, mistake, undo)


def _edge_parameters(run):
    """Indices of the free parameters that the motions of edge targets use."""
    rig = run.rig
    used = {name for t in rig.edge_targets for motion in rig.targets[t].motions
            for name in motion.by}
    return np.array([i for i, p in enumerate(rig.parameters)
                     if p.name in used and not p.held], int)


def _moves(run, most):
    """A machine that moved on its tracks: for the test alone (see `moved_between`)."""
    poses, ids, added = _shot_poses(run), run.poses.ids, []
    for stand in dict.fromkeys(run.poses.stand[p] for p in poses):
        here = [p for p in poses if run.poses.stand[p] == stand]
        for k in _moments(here, most):
            later = np.isin(run.shots.pose, here[k:])

            def columns(problem, parameters, prediction, stand=stand, later=later):
                its = problem.layout.columns(STAND, stand)
                return prediction.by_parameters[:, its] * np.repeat(later, 3)[:, None]

            def mistake(values, stand=stand, before=ids[here[k - 1]], after=ids[here[k]]):
                return Mistake("moved", facts.Moved(before, after, stand), as_fitted, free=4)

            added.append(Added("moved", len(poses), columns, mistake))
    return added
