"""Numbers that the model does not have, tested one by one: a jump of a zero, a gain, a scale.

A fit says of every such number how far it would move from zero and whether that is more than
chance, without solving again: the score test (C. R. Rao, Proc. Cambridge Philosophical Society 44
(1948) 50-57, from memory). With r the whitened misclosures, z the whitened derivatives of the
predictions by the added numbers and z' what the design leaves of them,

    statistic = r'z' (z''z')^-1 z''r,    a chi-square with as many degrees of freedom as numbers.

The global test spreads over all degrees of freedom what such a test looks for in one: a fault of
five sds of one number can leave it passed.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from calib.adjust.distributions import chi2_sf
from calib.adjust.observations import Prediction
from calib.adjust.quick import Look
from calib.adjust.whitening import misclosure_covariance, whiteners_of
from calib.calibration import Problem, problem_of
from calib.judge import facts
from calib.judge.changed import with_readings, with_shots
from calib.judge.fits import looked
from calib.judge.mistakes import Mistake
from calib.layout import STAND
from calib.run.records import Run

#: Probability that a clean run has any added number called real.
RUN_LEVEL = 0.005

#: Moments at which something may have changed that are tried.
_MOST_MOMENTS = 60

#: What the design must leave of a direction, as a share of its square, for it to be tested.
_LEAST_LEFT = 1e-5

#: Poses before and after a moment of change, at least.
_LEAST_POSES = 2

#: A height step smaller than this is no pole, m; a machine settles by less than that.
LEAST_POLE, MOST_SETTLED = 0.03, 0.05

_ROUNDS = 6


#: Derivatives of the predictions, and a run without what the numbers stand for; see `Added`.
Columns = Callable[[Problem, np.ndarray, Prediction], np.ndarray]
Undo = Callable[[Run, np.ndarray, Problem, np.ndarray], Run]


@dataclass(frozen=True)
class Added:
    """Some numbers that could be added to the model."""

    family: str
    members: int  #: How many of its family there are to choose from.
    #: ``columns(problem, parameters, prediction) -> (n_rows, d)``: derivatives of the predictions
    #: by the numbers.
    columns: Columns
    #: ``undo(run, values, problem, parameters) -> Run`` without what the numbers stand for; None
    #: where only the test is wanted.
    undo: Undo | None = None
    #: ``mistake(values) -> Mistake or None`` once the numbers are known.
    mistake: Callable[[np.ndarray], Mistake | None] | None = None


@dataclass(frozen=True)
class Score:
    """A test of added numbers."""

    added: Added
    statistic: float
    dof: int
    values: np.ndarray

    @property
    def chance(self) -> float:
        """Probability of as large a statistic if there is nothing."""
        return float(chi2_sf(self.statistic, self.dof))


def scores(run: Run, parameters: np.ndarray, corrections: np.ndarray | None,
           added: list[Added]) -> list[Score]:
    """Test added numbers on a fit.

    Parameters
    ----------
    parameters : ndarray, shape (n_unknowns,)
        Where the run was fitted.
    corrections : ndarray, shape (n_poses, n_readings), or None
        Of the readings, rad; None where the fit was at the readings as they are.
    """
    problem = problem_of(run)
    prediction, whitened, residuals, q = _linearised(problem, parameters, corrections)
    if q is None:
        return []
    found = []
    for one in added:
        z = whitened(one.columns(problem, parameters, prediction))
        left = z - q @ (q.T @ z)
        kept = np.einsum("ij,ij->j", left, left)
        if not (kept > _LEAST_LEFT * np.einsum("ij,ij->j", z, z)).all():
            continue
        basis, triangle = np.linalg.qr(left)
        along = basis.T @ residuals
        if np.linalg.cond(triangle) < 1e8:
            found.append(Score(one, float(along @ along), len(along),
                               np.linalg.solve(triangle, along)))
    return found


def beyond_chance(found: list[Score]) -> list[Score]:
    """Those that are real at the level of the run, worst first.

    The families share the level equally and the members of a family its share (Bonferroni's
    inequality): one scale of all shots is one question, however many moments there are for a
    zero to jump at.
    """
    members = Counter(s.added.family for s in found)
    return sorted((s for s in found
                   if s.chance < RUN_LEVEL / len(members) / members[s.added.family]),
                  key=lambda s: s.chance)


def fitted(run: Run, score: Score) -> tuple[Look, Mistake] | None:
    """The added numbers fitted with everything else, by Gauss and Newton's steps.

    Returns
    -------
    Look of the run without their effect, and the mistake; None if they come out as nothing.
    """
    one, values = score.added, score.values.copy()
    problem = problem_of(run)
    parameters = problem.start
    undo, mistake_of = one.undo, one.mistake
    if undo is None or mistake_of is None:
        return None
    for _ in range(_ROUNDS):
        changed = undo(run, values, problem, parameters)
        problem = problem_of(changed)
        seen = looked(changed)
        if not np.isfinite(seen.chi2):
            return None
        parameters = seen.parameters
        step = scores(changed, parameters, None, [one])
        if not step:
            return None
        # A step worth less than this of chi-square changes nothing that is told.
        if step[0].statistic < 0.01:
            break
        values = values + step[0].values
    mistake = mistake_of(values)
    if mistake is not None and mistake.apply is _as_fitted:
        mistake = replace(mistake, apply=lambda run: undo(
            run, values, problem_of(run), parameters))
    return None if mistake is None else (seen, mistake)


def _as_fitted(run: Run) -> Run:
    """Stands for undoing the numbers once they are fitted."""
    return run


def _linearised(problem: Problem, parameters, corrections):
    observations = problem.observations
    corrections = np.zeros_like(observations.readings) if corrections is None else corrections
    prediction = problem(parameters, observations.readings + corrections)
    n = len(observations.values)
    misclosure = observations.values - prediction.values
    whiteners, covariance = [], observations.powerless_covariance
    for group in observations.groups:
        b, q = prediction.by_readings[group.rows], covariance[group.blocks]
        misclosure[group.rows] += (b @ corrections[group.blocks][..., None])[..., 0]
        try:
            whiteners.append(whiteners_of(misclosure_covariance(group.covariance, b, q)))
        except np.linalg.LinAlgError:
            return prediction, None, None, None
    h, by_parameters = problem.prior.function(parameters)
    prior = whiteners_of(problem.prior.covariance)

    def whitened(rows):
        """Columns (n, m) whitened, over zeros for the priors."""
        out = np.zeros((n + len(h), rows.shape[1]))
        for group, g in zip(observations.groups, whiteners, strict=True):
            out[group.rows] = g @ rows[group.rows]
        return out

    residuals = whitened(misclosure[:, None])[:, 0]
    design = whitened(np.asarray(prediction.by_parameters)[:, ~problem.held])
    residuals[n:] = prior @ (problem.prior.values - h)
    design[n:] = prior @ by_parameters[:, ~problem.held]
    if not (np.isfinite(design).all() and np.isfinite(residuals).all()):
        return prediction, None, None, None
    size = np.linalg.norm(design, axis=0)
    left, values, _ = np.linalg.svd(design / np.where(size > 0, size, 1.0), full_matrices=False)
    return prediction, whitened, residuals, left[:, values > 1e-9 * values[0]]


def all_added(run: Run) -> list[Added]:
    """Every number that is tested."""
    return [*_zero_jumps(run), *_gains(run), *_scale(run), *_heights(run), *_buckets(run),
            *_moves(run)]


def moments_of(poses: list[int]) -> list[int]:
    """Places k in a list of poses where something may have changed between k - 1 and k."""
    every = range(_LEAST_POSES, len(poses) - _LEAST_POSES + 1)
    return list(every[:: -(-len(every) // _MOST_MOMENTS) or 1])


def _shot_poses(run):
    return [int(p) for p in np.unique(run.shots.pose)]


def _zero_jumps(run):
    poses, names, ids = _shot_poses(run), run.rig.reading_names, run.poses.ids
    moments = moments_of(poses)
    added = []
    for j, name in enumerate(names):
        for k in moments:
            later = np.arange(len(ids)) >= poses[k]

            def columns(problem, parameters, prediction, j=j, later=later):
                return -prediction.by_readings[:, [j]] * np.repeat(
                    later[problem.run.shots.pose], 3)[:, None]

            def undo(run, values, *_, j=j, later=later):
                readings = run.poses.readings.copy()
                readings[later, j] -= values[0]
                return with_readings(run, readings)

            def mistake(values, name=name, before=ids[poses[k - 1]], after=ids[poses[k]]):
                fact = facts.ZeroShifted(name, before, after, float(values[0]))
                return Mistake("zero shifted", fact, _as_fitted, free=1)

            # The sign of `columns` is that of an error in the reading: shown = true + value.
            added.append(Added("zero shifted", len(names) * len(moments), columns, undo, mistake))
    return added


def _gains(run):
    added = []
    for j, name in enumerate(run.rig.reading_names):
        def columns(problem, parameters, prediction, j=j):
            reading = problem.observations.readings[problem.run.shots.pose, j]
            return -prediction.by_readings[:, [j]] * np.repeat(reading, 3)[:, None]

        def undo(run, values, *_, j=j):
            readings = run.poses.readings.copy()
            readings[:, j] /= max(1 + values[0], 0.1)
            return with_readings(run, readings)

        def mistake(values, name=name):
            gain = float(values[0])
            if not -0.5 < gain < 1.0:
                return None
            return Mistake("gain", facts.Gain(name, gain), _as_fitted, free=1)

        added.append(Added("gain", len(run.rig.readings), columns, undo, mistake))
    return added


def _scale(run):
    middle = run.shots.position.mean(0)

    def columns(problem, parameters, prediction):
        return (prediction.values.reshape(-1, 3) - middle).reshape(-1, 1)

    def undo(run, values, *_):
        factor = max(1 + values[0], 0.1)
        return with_shots(run, position=middle + (run.shots.position - middle) / factor)

    def mistake(values):
        return Mistake("scale", facts.Scale(1 + float(values[0])), _as_fitted, free=1,
                       every_shot=True)

    return [Added("scale", 1, columns, undo, mistake)]


def _heights(run):
    """The same height too much in the shots of a pose, at a target, or from some pose on."""
    poses, ids, shots = _shot_poses(run), run.poses.ids, run.shots
    added = [_height(run, shots.pose == p, facts.ShotsOf(first=ids[p], last=ids[p]), len(poses))
             for p in poses]
    targets = np.unique(shots.target)
    added += [_height(run, shots.target == t, facts.ShotsOf(run.rig.target_names[t]), len(targets))
              for t in targets if len(targets) > 1]
    for stand in dict.fromkeys(run.poses.stand[p] for p in poses):
        here = [p for p in poses if run.poses.stand[p] == stand]
        for k in moments_of(here):
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
        position = run.shots.position.copy()
        position[mask, 2] -= values[0]
        return with_shots(run, position=position)

    def mistake(values):
        bias = float(values[0])
        if those is not None and abs(bias) < MOST_SETTLED:
            return Mistake("settled", facts.Settled(those.last, these.first, bias, these),
                           _lowered(mask, bias), free=1)
        if those is not None and bias < 0:
            return height_mistake(those, others, -bias)
        return height_mistake(these, mask, bias)

    return Added("pole height", members, columns, undo, mistake)


def height_mistake(shots: facts.ShotsOf, mask: np.ndarray, bias: float) -> Mistake:
    """A height bias (m) common to some shots: a prism or pole height not taken off."""
    return Mistake("pole height", facts.HeightsOff(shots, bias, abs(bias) < LEAST_POLE),
                   _lowered(mask, bias), free=1)


def _lowered(mask, bias):
    def lowered(run):
        position = run.shots.position.copy()
        position[mask, 2] -= bias
        return with_shots(run, position=position)

    return lowered


def _buckets(run):
    """Another bucket than the taped one from some pose on, or up to it."""
    poses, ids = _shot_poses(run), run.poses.ids
    edge = _edge_parameters(run)
    on_edge = np.isin(run.shots.target, run.rig.edge_targets)
    moments = moments_of(poses) if len(edge) else []
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
        return Mistake("other bucket", fact, _as_fitted, free=len(edge),
                       mend=lambda run: replace(run, shots=run.shots.select(~mask)))

    return Added("other bucket", members, columns, undo, mistake)


def _edge_parameters(run):
    """Indices of the free parameters that the motions of edge targets use."""
    rig = run.rig
    used = {name for t in rig.edge_targets for motion in rig.targets[t].motions
            for name in motion.by}
    return np.array([i for i, p in enumerate(rig.parameters)
                     if p.name in used and not p.held], int)


def _moves(run):
    """A machine that moved on its tracks: for the test alone (see `moved_between`)."""
    poses, added = _shot_poses(run), []
    for stand in dict.fromkeys(run.poses.stand[p] for p in poses):
        here = [p for p in poses if run.poses.stand[p] == stand]
        for k in moments_of(here):
            later = np.isin(run.shots.pose, here[k:])

            def columns(problem, parameters, prediction, stand=stand, later=later):
                its = problem.layout.columns(STAND, stand)
                return prediction.by_parameters[:, its] * np.repeat(later, 3)[:, None]

            added.append(Added("moved", len(poses), columns))
    return added
