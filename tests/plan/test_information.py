"""What a pose tells, against the adjustment itself."""

from dataclasses import replace

import numpy as np
import pytest

from calib.calibration import problem_of, solve
from calib.chain.derived import derived_values
from calib.chain.rig import rig_from_template
from calib.layout import layout_of
from calib.plan.further import information_so_far
from calib.plan.information import Noise, Taped, pose_rows, prior_information
from calib.run.records import Tape
from calib.simulate import simulate


def exact(rig, poses, stands, seed=2, **how):
    """A run without errors, and its truth."""
    run, truth = simulate(rig, np.random.default_rng(seed), poses=poses, stands=stands, **how)
    return replace(
        run, shots=replace(run.shots, position=truth.positions),
        poses=replace(run.poses, readings=truth.readings),
    ), truth


def test_sum_over_poses_is_the_normal_matrix(rig):
    """Rows of single poses, put together, give the covariance that the solve reports."""
    run, truth = exact(rig, 14, 2, taped=False)
    solution = solve(run)
    free = int((~rig.held).sum())
    stand = np.array([run.poses.stand.index(name) for name in run.poses.stand])
    total = np.zeros((free + 8, free + 8))
    targets = [rig.target_names.index(n) for n in ("edge_left", "edge_right")]
    for i, readings in enumerate(truth.readings):
        rows = pose_rows(rig, truth.parameters, readings[None], targets, Noise.of(rig),
                         truth.placements[stand[i]])[0]
        columns = np.append(np.arange(free), free + 4 * stand[i] + np.arange(4))
        total[np.ix_(columns, columns)] += rows.T @ rows
    keep = solution.adjustment.free
    covariance = solution.adjustment.covariance[np.ix_(keep, keep)]
    np.testing.assert_allclose(np.linalg.inv(total), covariance, rtol=1e-4,
                               atol=1e-6 * covariance.diagonal().min())


def test_information_so_far_is_that_of_the_solve(rig):
    """With tape, two stands and errors: within what the readings' corrections change."""
    run, _ = simulate(rig, np.random.default_rng(5), poses=12, stands=2)
    solution = solve(run)
    so_far = information_so_far(solution.problem, solution.adjustment.parameters)
    keep = solution.adjustment.free
    sd = np.sqrt(np.diag(np.linalg.inv(so_far)))
    np.testing.assert_allclose(sd, solution.adjustment.sd[keep], rtol=0.02)


def test_information_so_far_of_an_exact_run(rig):
    """Without errors it is the solve's own to the last digits."""
    run, _ = exact(rig, 10, 1, taped=False)
    solution = solve(run)
    keep = solution.adjustment.free
    so_far = information_so_far(problem_of(run), solution.adjustment.parameters)
    np.testing.assert_allclose(np.sqrt(np.diag(np.linalg.inv(so_far))),
                               solution.adjustment.sd[keep], rtol=1e-6)


def test_place_of_a_stand_does_not_matter(prepared):
    """What poses of one stand tell about the parameters is the same wherever it is."""
    rig = prepared.task.rig
    readings, task = prepared.readings[:15], prepared.task
    free = len(prepared.form)

    def about_parameters(placement):
        rows = pose_rows(rig, rig.start, readings, task.targets, task.noise, np.array(placement))
        n = np.einsum("kmi,kmj->ij", rows, rows)
        return n[:free, :free] - n[:free, free:] @ np.linalg.solve(n[free:, free:], n[free:, :free])

    here, there = about_parameters([0, 0, 0, np.pi / 2]), about_parameters([40, -25, 3, 4.0])
    scale = np.sqrt(np.outer(np.diag(here), np.diag(here)))
    np.testing.assert_allclose(there / scale, here / scale, atol=1e-8)


def test_reading_errors_cost_information(rig, prepared):
    """With errorless readings a pose tells more, about everything."""
    task, readings = prepared.task, prepared.readings[:5]
    rows = pose_rows(rig, rig.start, readings, task.targets, task.noise)
    sharp = pose_rows(rig, rig.start, readings, task.targets,
                      replace(task.noise, readings=0 * task.noise.readings))
    for one, better in zip(rows, sharp, strict=True):
        gain = np.linalg.eigvalsh(better.T @ better - one.T @ one)
        assert gain[0] > -1e-6 * gain[-1] and gain[-1] > 0


def test_chunks_do_not_show(rig, prepared, monkeypatch):
    """The same rows however many poses are evaluated at once; none for no pose."""
    task = prepared.task
    whole = pose_rows(rig, rig.start, prepared.readings[:25], task.targets, task.noise)
    monkeypatch.setattr("calib.plan.information._CHUNK", 7)
    parts = pose_rows(rig, rig.start, prepared.readings[:25], task.targets, task.noise)
    np.testing.assert_allclose(parts, whole)
    none = pose_rows(rig, rig.start, prepared.readings[:0], task.targets, task.noise)
    assert none.shape == (0, *whole.shape[1:])


def test_blind_pose_tells_nothing(rig, prepared):
    """A reading that its axis cannot give is no information, and no NaN."""
    task, readings = prepared.task, prepared.readings[:3].copy()
    readings[1, rig.reading_names.index("tilt")] = np.radians(89.0)
    rows = pose_rows(rig, rig.start, readings, task.targets, task.noise)
    assert np.isfinite(rows).all()
    assert not rows[1].any() and rows[0].any() and rows[2].any()


def test_tape_of_parameters_and_derived_quantities(rig):
    """One over the variance for a parameter, the gradient's outer product for a derived length."""
    names = ("boom_length", "pin_to_edge", "house_pitch_zero")
    tape = Tape(names, np.array([5.7, 1.6, 0.0]), np.array([0.005, 0.01, 0.1]), ("m", "m", "deg"),
                (2, 3, 4))
    taped = Taped.of(rig, rig.start, tape)
    assert taped.names == names[:2]
    gradient = derived_values(rig, rig.start)[1]
    row = gradient[[d.name for d in rig.derived].index("pin_to_edge")][~rig.held]
    expected = np.outer(row, row) / 0.01**2
    i = rig.parameter_names.index("boom_length")
    expected[i, i] += 1 / 0.005**2
    np.testing.assert_allclose(taped.information(), expected)
    assert Taped.of(rig, rig.start, Tape.none()).information().any() == np.False_


def test_prior_of_an_empty_plan_is_regular(rig):
    """Nothing taped, three stands: there is an inverse, and it promises nothing."""
    nothing = prior_information(Taped.of(rig, rig.start, Tape.none()), layout_of(rig, "123"))
    assert np.sqrt(np.diag(np.linalg.inv(nothing))).min() >= 10


def test_missing_sds_are_named():
    """A rig without sds is refused, with the keys that are missing."""
    with pytest.raises(ValueError, match=r"readings\.sd\.boom.*shots\.sd"):
        Noise.of(rig_from_template("tilt_rotator"))
