"""Held-out poses: their misses are as large as predicted, and larger when something is wrong."""

import numpy as np
import pytest
from scipy.stats import kstest

from calib.adjust.quadratic import cumulants
from calib.calibration import solve
from calib.judge.hold_out import hold_out
from calib.judge.set_aside import SetAside, without
from calib.simulate import simulate


@pytest.mark.slow
def test_misses_over_their_predicted_sd_have_sd_one(rig):
    """Over 20 runs of 20 poses in 4 parts the standardised misses have sd 1 within 0.1."""
    misses = []
    for seed in range(20):
        run, _ = simulate(rig, np.random.default_rng(400 + seed), poses=20, stands=1 + seed % 2)
        held = hold_out(solve(run), most_folds=4)
        assert held.folds == 4 and not held.missing
        misses.append(held.standardised)
    misses = np.concatenate(misses)
    assert misses.std() == pytest.approx(1, abs=0.1)
    assert misses.std(axis=0) == pytest.approx([1, 1, 1], abs=0.1)


@pytest.mark.slow
def test_chances_of_clean_runs_are_uniform(rig):
    """60 runs: every chance as frequent as any other, and the statistic as large as its dof."""
    chances, ratios = [], []
    for seed in range(60):
        run, _ = simulate(rig, np.random.default_rng(7100 + seed), poses=16, stands=1 + seed % 2)
        held = hold_out(solve(run), most_folds=4)
        chances.append(held.chance)
        ratios.append(held.statistic / held.dof)
    assert kstest(chances, "uniform").pvalue > 0.01
    assert np.mean(ratios) == pytest.approx(1, abs=4 * np.std(ratios) / np.sqrt(60))


def test_the_statistic_is_expected_to_be_its_dof(rig):
    """The form in the whole solution's misclosures has the dof as its mean, and nearly its value.

    Poses of which a reading was set aside do not count in either.
    """
    run, _ = simulate(rig, np.random.default_rng(6), poses=14)
    solution = solve(without(run, SetAside(readings=frozenset({(3, 6)}))))
    held = hold_out(solution, most_folds=5)
    assert held.dof == 3 * (len(run.shots) - 2)
    mean, _, _ = cumulants(held.form, solution.adjustment.linearised.spectrum.left)
    assert mean == pytest.approx(held.dof, rel=1e-9)
    left = solution.adjustment.linearised.spectrum.left
    drawn = np.random.default_rng(1).normal(size=(4000, len(left)))
    drawn -= drawn @ left @ left.T
    share = np.mean(np.einsum("ni,ni->n", drawn, drawn @ held.form) > held.statistic)
    assert held.chance == pytest.approx(share, abs=0.03)
    w = solution.adjustment.linearised.misclosure
    assert w @ (held.form @ w) == pytest.approx(held.statistic, rel=0.02)


def test_every_shot_is_held_out_once_with_its_pose(rig):
    """Each shot is predicted once, by a solution that saw no shot of its pose."""
    run, _ = simulate(rig, np.random.default_rng(1), poses=12)
    solution = solve(run)
    held = hold_out(solution, most_folds=5)
    assert sorted(held.checked.shots.ids) == sorted(run.shots.ids)
    # A held-out miss is larger than the residual of the full solution, pose by pose.
    order = [run.shots.ids.index(i) for i in held.checked.shots.ids]
    assert np.sum(held.checked.misses**2) > np.sum(solution.misses[order] ** 2)


def test_sds_that_are_far_too_small_fail_the_gate(rig):
    """Readings five times noisier than stated: the held-out misses tell."""
    noisy, _ = simulate(rig, np.random.default_rng(2))
    readings = noisy.poses.readings + np.random.default_rng(3).normal(
        0, 5, noisy.poses.readings.shape) * noisy.poses.sd
    object.__setattr__(noisy.poses, "readings", readings)
    held = hold_out(solve(noisy), most_folds=6)
    assert held.rms_3d > 2 * held.predicted_rms_3d
    assert held.chance < 1e-6
    assert hold_out(solve(simulate(rig, np.random.default_rng(2))[0]), most_folds=6).chance > 0.01


def test_poses_without_which_nothing_is_fixed_are_not_judged(rig):
    """Rotation set aside in 16 of 24 poses: once held out nothing predicts their shots."""
    run, _ = simulate(rig, np.random.default_rng(5))
    every = frozenset((pose, 6) for pose in range(16))
    held = hold_out(solve(without(run, SetAside(readings=every))), most_folds=4)
    assert not held.judged and held.chance is None
    assert sorted(held.missing) == sorted(run.poses.ids[:16])


def test_a_pose_with_a_reading_set_aside_is_not_judged_and_the_others_are(rig):
    """One reading set aside does not blow up what the held-out poses are expected to miss by."""
    run, _ = simulate(rig, np.random.default_rng(5))
    held = hold_out(solve(without(run, SetAside(readings=frozenset({(3, 6)})))), most_folds=4)
    assert held.missing == (run.poses.ids[3],)
    assert held.judged and held.chance > 0.01
    assert held.predicted_rms_3d < 0.02
    assert not set(held.checked.shots.ids) & {i for i, p in zip(run.shots.ids, run.shots.pose,
                                                              strict=True) if p == 3}
