"""Runs solved many times over, against solving each fully."""

from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

import calib
from calib.calibration import solve
from calib.resampled import _Again, resolve_many
from calib.simulate import simulate


@pytest.fixture(scope="module")
def solution(rig):
    return solve(simulate(rig, np.random.default_rng(4), poses=20, stands=2)[0])


def drawn(run, weights):
    """The run with each pose as often as it was drawn."""
    shot = np.unique(run.shots.pose)
    times = np.zeros(len(run.poses.ids), int)
    times[shot] = weights
    poses = np.repeat(np.arange(len(times)), times)
    copy = np.concatenate([np.arange(t) for t in times]).astype(int)
    p = run.poses
    ids = tuple(f"{p.ids[i]}.{c}" for i, c in zip(poses, copy, strict=True))
    rows, new = [], []
    for k, i in enumerate(poses):
        of_pose = np.flatnonzero(run.shots.pose == i)
        rows += of_pose.tolist()
        new += [k] * len(of_pose)
    s = run.shots
    return replace(
        run,
        poses=replace(p, ids=ids, stand=tuple(p.stand[i] for i in poses),
                      readings=p.readings[poses], sd=p.sd[poses], time=(None,) * len(poses),
                      line=tuple(p.line[i] for i in poses)),
        shots=replace(s, ids=tuple(f"{s.ids[r]}.{n}" for r, n in zip(rows, new, strict=True)),
                      pose=np.array(new), target=s.target[rows], position=s.position[rows],
                      covariance=s.covariance[rows], time=(None,) * len(rows),
                      line=tuple(s.line[r] for r in rows)))


@pytest.mark.parametrize(("noise", "within"), [(1.0, 0.02), (8.0, 0.08)])
def test_each_replicate_is_the_run_solved_again(rig, noise, within):
    """Of twelve draws, each solved fully with its poses as drawn: within a fiftieth of an sd."""
    noisy = replace(rig, readings=tuple(replace(r, sd=noise * r.sd) for r in rig.readings))
    found = solve(simulate(noisy, np.random.default_rng(5), poses=16)[0])
    again = _Again.of(found, "poses")
    weights = again._drawn_poses(np.random.default_rng(8), 12)
    steps = again._solved(weights, again.w, np.tile(again.off, (12, 1)))
    free, n = found.adjustment.free, int((~found.rig.held).sum())
    sd = found.adjustment.sd[free]
    off = [(solve(drawn(found.run, counts), found).adjustment.parameters
            - found.adjustment.parameters)[free] - step
           for counts, step in zip(weights.astype(int), steps, strict=True)]
    assert np.abs(np.array(off) / sd)[:, :n].max() < within
    assert np.abs(steps / sd)[:, :n].max() > 1.5


def test_whole_runs_scatter_as_the_covariance_says(solution):
    """Monte Carlo: sds of 4000 replicates within 6 % of the linear ones, no bias."""
    found = resolve_many(solution, 4000, "errors", seed=2)
    free = ~solution.rig.held
    sd = np.sqrt(np.diag(solution.covariance))[free]
    np.testing.assert_allclose(found.estimates.std(0) / sd, 1.0, atol=0.06)
    assert (np.abs(found.estimates.mean(0) - solution.parameters[free]) / sd < 0.12).all()
    assert found.left_out == 0
    assert found.names == tuple(p.name for p in solution.rig.parameters if not p.held)


def test_the_same_seed_is_the_same_on_any_number_of_processes(solution):
    """To the last bit; another seed is not."""
    one = resolve_many(solution, 350, seed=6)
    told = []
    with ProcessPoolExecutor(2) as two:
        other = resolve_many(solution, 350, seed=6, executor=two, progress=told.append)
    np.testing.assert_array_equal(one.estimates, other.estimates)
    assert told == [100, 200, 300, 350]
    assert (resolve_many(solution, 350, seed=7).estimates != one.estimates).any()
    assert calib.resolve_many is resolve_many


def test_poses_that_scatter_more_than_stated_widen_the_intervals(rig):
    """Readings twice as noisy as stated: the bootstrap sees it, the linear interval does not."""
    noisy = replace(rig, readings=tuple(replace(r, sd=2.5 * r.sd) for r in rig.readings))
    run, _ = simulate(noisy, np.random.default_rng(9), poses=30, stands=2, taped=True)
    stated = np.tile([r.sd for r in rig.readings], (len(run.poses.ids), 1))
    found = solve(replace(run, rig=rig, poses=replace(run.poses, sd=stated)))
    low, high = resolve_many(found, 1000).interval()
    free = ~found.rig.held
    width = (high - low) / 3.92 / np.sqrt(np.diag(found.covariance))[free]
    assert np.median(width) > 1.4


def test_replicates_that_determine_nothing_are_left_out(rig):
    """Six poses in three stands, no tape: some draws have too few different poses."""
    run, _ = simulate(rig, np.random.default_rng(1), poses=12, stands=4)
    found = solve(run)
    again = resolve_many(found, 500)
    assert np.isfinite(again.estimates).all()
    assert len(again.estimates) + again.left_out == 500
    with pytest.raises(ValueError, match="'shots' cannot be drawn"):
        resolve_many(found, 10, "shots")
