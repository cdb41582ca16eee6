"""While a run goes on: what is known, what to add, when it is enough."""

from dataclasses import replace

import numpy as np
import pytest

from calib.calibration import problem_of, solve
from calib.edge import envelope_edge
from calib.judge.set_aside import named, without
from calib.plan.bundles import Bundles
from calib.plan.further import further_poses
from calib.plan.information import next_to_nothing
from calib.plan.task import DRIVE
from calib.simulate import simulate


def run_of(rig, poses, seed=3, **how):
    return simulate(rig, np.random.default_rng(seed), poses=poses, **how)[0]


def further(prepared, run, count=3, **how):
    solution = solve(run)
    return solution, further_poses(prepared, solution.problem, solution.adjustment.parameters,
                                   count, **how)


def test_edge_sd_now_is_that_of_the_solution(rig, edge_only):
    """Worst edge sd before anything is added, as the solution has it."""
    solution, found = further(edge_only, run_of(rig, 12, stands=2))
    nodes = envelope_edge(rig, solution.parameters)
    assert found.worst[0] == pytest.approx(nodes.sd(solution.covariance).max(), rel=0.02)
    assert found.mean[0] < found.worst[0]
    assert (np.diff(found.mean) < 0).all()


def test_what_was_shot_counts_where_it_is_not_to_be_shot_again(rig, edge_only):
    """A pin of unknown place was shot; further poses are of the edge alone."""
    solution, found = further(
        edge_only, run_of(rig, 12, targets=("edge_left", "edge_right", "stick_pin")))
    sd = envelope_edge(rig, solution.parameters).sd(solution.covariance)
    assert found.worst[0] == pytest.approx(sd.max(), rel=0.02)


def test_promised_gain_comes_true(rig, edge_only):
    """A run with the proposed poses has the edge sd that was promised, within 5 %."""
    rng = np.random.default_rng(11)
    first, truth = simulate(rig, rng, poses=8, parameters=rig.start)
    _, found = further(edge_only, first)
    joints = rig.chain.posture(
        rig.start, np.tile([0, 0, 0, np.pi / 2], (8, 1)), truth.readings, False).joints
    run, _ = simulate(rig, rng, poses=11, parameters=rig.start,
                      joints=np.vstack([joints, found.joints]))
    solution = solve(run)
    reached = envelope_edge(rig, rig.start).sd(solution.covariance).max()
    assert reached == pytest.approx(found.worst[3], rel=0.05)
    assert found.worst[3] < 0.8 * found.worst[0]


def test_proposed_poses_beat_random_ones(rig, edge_only):
    """Three proposed poses gain more than each of 50 random threes."""
    solution, found = further(edge_only, run_of(rig, 8))
    problem, unknowns = solution.problem, solution.adjustment.parameters
    best = found.mean[-1]
    rng = np.random.default_rng(2)
    for _ in range(50):
        some = np.sort(rng.choice(len(edge_only.bundles.pose), 3, replace=False))
        few = replace(edge_only, bundles=Bundles(
            *(part[some] for part in vars(edge_only.bundles).values())))
        assert further_poses(few, problem, unknowns, 3).mean[-1] > best


def test_poses_shot_already_are_not_proposed_again(rig, edge_only):
    """What was proposed and then shot does not come back, nor its near neighbours."""
    run = run_of(rig, 6)
    _, found = further(edge_only, run, 1)
    shot = replace(run, poses=replace(
        run.poses, readings=np.vstack([run.poses.readings[:-1], found.readings])))
    again = further_poses(edge_only, problem_of(shot), problem_of(shot).start, 5)
    driven = [i for i, r in enumerate(rig.readings) if r.speed is not None]
    for row in again.readings[:, driven]:
        turn = np.abs((row - found.readings[0, driven] + np.pi) % (2 * np.pi) - np.pi)
        assert np.degrees(turn.max()) > 5


def test_set_aside_shots_do_not_count(rig, edge_only):
    """Without two poses' shots less is known, and more is left to gain."""
    run = run_of(rig, 8)
    _, whole = further(edge_only, run)
    ids = run.poses.ids
    _, less = further(edge_only, without(run, named(run, [f"pose:{ids[0]}", f"pose:{ids[3]}"])))
    assert less.worst[0] > 1.05 * whole.worst[0]


def test_when_it_is_enough(rig, edge_only):
    """The goal is met from the worst sd on; late in a run the next pose is not worth the drive."""
    _, early = further(edge_only, run_of(rig, 4))
    assert not early.hardly_helps() and not early.met(0.001)
    assert early.met(1.01 * early.worst[0]) and not early.met(0.99 * early.worst[0])
    _, late = further(edge_only, run_of(rig, 80))
    assert late.worst[0] - late.worst[1] < 0.0002
    assert late.hardly_helps() and not late.hardly_helps(worth=0.0)


def test_before_anything_is_determined(rig, edge_only):
    """Two poses without a tape: not determined, never enough, and still something to propose."""
    run = run_of(rig, 2, taped=False)
    problem = problem_of(run)
    found = further_poses(edge_only, problem, problem.start, 3)
    assert found.undetermined and not found.met(100.0) and not found.hardly_helps()
    assert found.worst[3] < found.worst[0]
    _, taped = further(edge_only, run_of(rig, 2))
    assert not taped.undetermined


def test_weakest_parameters_are_those_whose_loss_of_doubt_helps(rig, edge_only):
    """Shares of the worst variance: the first named, if known exactly, would better it most."""
    solution, found = further(edge_only, run_of(rig, 6))
    names = edge_only.task.free_names
    nodes = envelope_edge(rig, solution.parameters)
    free = np.flatnonzero(~rig.held)
    own = np.linalg.inv(solution.covariance[np.ix_(free, free)])

    def worst_if_known(name):
        known = own.copy()
        known[names.index(name), names.index(name)] += 1e12
        covariance = np.zeros_like(solution.covariance)
        covariance[np.ix_(free, free)] = np.linalg.inv(known)
        return nodes.sd(covariance).max()

    assert found.weak[0][1] > 0.15
    assert worst_if_known(found.weak[0][0]) < 0.9 * found.worst[0]


def test_stand_can_be_chosen(rig, edge_only):
    """The last shot's stand unless another is named; one without shots is refused."""
    run = run_of(rig, 10, stands=2)
    solution, found = further(edge_only, run)
    assert found.stand == run.poses.stand[run.shots.pose[-1]]
    other = next(s for s in run.poses.stand if s != found.stand)
    assert further(edge_only, run, stand=other)[1].stand == other
    with pytest.raises(ValueError, match="'S9' has no shots yet"):
        further(edge_only, run, stand="S9")
    assert len(solution.problem.stands) == 2


def test_pins_are_the_best_buy_where_the_machine_is(rig, prepared):
    """After poses with the edge alone: pins, for the minutes of their shots; and it comes true.

    The run with these shots in its last pose is known as well as was promised.
    """
    rng = np.random.default_rng(12)
    joints = prepared.candidates.joints[rng.choice(len(prepared.readings), 10, replace=False)]
    names = [rig.target_names[t] for t in prepared.task.targets]
    whole, _ = simulate(rig, rng, poses=10, parameters=rig.start, joints=joints, targets=names)
    edge = np.isin(whole.shots.target, rig.edge_targets)
    run = replace(whole, rig=rig, shots=whole.shots.select(edge))
    assert run.rig.held[rig.parameter_names.index("boom_foot_width")]
    _, found = further(prepared, run)
    shot = [rig.target_names[t] for t in found.here.targets]
    assert {"boom_foot_left", "boom_foot_right"} <= set(shot) and found.last == run.poses.ids[-1]
    assert found.here.minutes == pytest.approx(len(shot) * rig.effort.point)
    assert found.here.worst < 0.85 * found.worst[0]
    added = (whole.shots.pose == 9) & np.isin(whole.shots.target, found.here.targets)
    more = solve(replace(whole, shots=whole.shots.select(edge | added)))
    reached = envelope_edge(more.rig, more.parameters).sd(more.covariance).max()
    assert reached == pytest.approx(found.here.worst, rel=0.05)


def test_nothing_is_left_where_everything_was_shot(rig, prepared):
    """The last pose has all its targets: the best buy is a pose."""
    rng = np.random.default_rng(5)
    joints = prepared.candidates.joints[rng.choice(len(prepared.readings), 5, replace=False)]
    names = [rig.target_names[t] for t in prepared.task.targets]
    run, _ = simulate(rig, rng, poses=5, parameters=rig.start, joints=joints, targets=names)
    _, found = further(prepared, run)
    assert found.here is None and found.first_worst == found.worst[1]
    assert found.minutes == pytest.approx(
        [rig.effort.settle + DRIVE + sum(rig.effort.of_shot(rig.targets[t]) for t, s in
                                         zip(prepared.task.targets, row, strict=True) if s)
         for row in found.shots])


def test_next_to_nothing_is_negligible(rig, edge_only):
    """What keeps an empty plan regular moves no promised sd by more than a millionth."""
    information = edge_only.pool(1).information(np.arange(12), np.zeros(12, int))
    without_it = information - next_to_nothing(edge_only.task.layout())
    np.testing.assert_allclose(edge_only.edge_sds(information), edge_only.edge_sds(without_it),
                               rtol=1e-5)
