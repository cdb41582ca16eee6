"""The main job: a run solved, against truth and against a full adjustment."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import norm

from calib.adjust.spectrum import NotDetermined
from calib.calibration import HOUSE_PLACEMENT, problem_of, solve
from calib.chain.rig import rig_from_dict
from calib.run.complaints import InputError
from calib.run.records import Tape
from calib.simulate import simulate
from calib.uncertain import derived


def full_adjustment(run):
    """Every reading carried as an unknown: estimates and covariance by scipy alone."""
    problem = problem_of(run)
    free, shots = ~problem.held, run.shots
    n_free, shape = int(free.sum()), run.poses.readings.shape
    whitener = np.linalg.inv(np.linalg.cholesky(shots.covariance))
    tape_sd = np.sqrt(np.diag(problem.prior.covariance))

    def split(z):
        unknowns = problem.start.copy()
        unknowns[free] = z[:n_free]
        return unknowns, z[n_free:].reshape(shape)

    def residuals(z):
        unknowns, readings = split(z)
        points = problem.points(unknowns, readings, shots.target, shots.pose, False)
        h, _ = problem.prior.function(unknowns)
        return np.concatenate([
            np.einsum("nij,nj->ni", whitener, shots.position - points.position).ravel(),
            ((run.poses.readings - readings) / run.poses.sd).ravel(),
            (problem.prior.values - h) / tape_sd,
        ])

    def jacobian(z):
        unknowns, readings = split(z)
        _, parts, by_own = problem.parts(unknowns, readings, shots)
        by_unknowns = whitener @ problem.layout.dense(parts)[:, :, free]
        by_readings = np.zeros((len(shots), 3, *shape))
        by_readings[np.arange(len(shots)), :, shots.pose] = whitener @ by_own
        top = np.hstack([by_unknowns.reshape(3 * len(shots), -1),
                         by_readings.reshape(3 * len(shots), -1)])
        middle = np.hstack([np.zeros((run.poses.sd.size, n_free)),
                            np.diag(1 / run.poses.sd.ravel())])
        _, h = problem.prior.function(unknowns)
        bottom = np.hstack([h[:, free] / tape_sd[:, None], np.zeros((len(h), run.poses.sd.size))])
        return -np.vstack([top, middle, bottom])

    start = np.concatenate([problem.start[free], run.poses.readings.ravel()])
    found = least_squares(residuals, start, jacobian, x_scale="jac", xtol=1e-15, ftol=1e-15,
                          gtol=1e-12)
    covariance = np.linalg.inv(found.jac.T @ found.jac)
    return found.x[:n_free], np.sqrt(np.diag(covariance))[:n_free], 2 * found.cost


def assert_equals_the_full_adjustment(solution):
    """Estimates within 0.02 sd, sds within 1 %, and the same chi2."""
    solved, free = solution.adjustment, solution.adjustment.free
    estimate, sd, chi2 = full_adjustment(solution.run)
    assert np.abs((solved.parameters[free] - estimate) / sd).max() < 0.02
    np.testing.assert_allclose(solved.sd[free], sd, rtol=0.01)
    assert solved.chi2 == pytest.approx(chi2, rel=1e-3)


@pytest.mark.parametrize("stands", [1, 2])
def test_equals_the_full_adjustment(rig, stands):
    """Estimates within 0.02 sd and sds within 1 % of an adjustment that carries every reading."""
    for seed in range(3):
        run, _ = simulate(rig, np.random.default_rng(seed), poses=30, stands=stands)
        solution = solve(run)
        assert_equals_the_full_adjustment(solution)


@pytest.mark.parametrize("readings", [((3, 6),), ((3, 6), (7, 3), (11, 5), (11, 1))])
def test_readings_set_aside_are_unknowns_of_the_full_adjustment(rig, readings):
    """An infinite sd: as if each were carried without any knowledge of it, off by 5 deg or not."""
    run, _ = simulate(rig, np.random.default_rng(17))
    off, sd = run.poses.readings.copy(), run.poses.sd.copy()
    for pose, reading in readings:
        off[pose, reading] += np.radians(5)
        sd[pose, reading] = np.inf
    run = replace(run, poses=replace(run.poses, readings=off, sd=sd))
    solution = solve(run)
    assert_equals_the_full_adjustment(solution)
    free = solution.adjustment.free
    observed = 3 * len(run.shots) + len(run.tape.value) + run.poses.sd.size - len(readings)
    assert solution.adjustment.dof == observed - free.sum() - run.poses.sd.size


def test_recovers_the_truth_in_sigmas(rig):
    """On a good run no parameter is further than 4.5 sd from the truth, stands included."""
    run, truth = simulate(rig, np.random.default_rng(5), poses=30, stands=2)
    solution = solve(run)
    miss = (solution.parameters - truth.parameters)[~rig.held]
    sd = np.sqrt(np.diag(solution.covariance))[~rig.held]
    assert (np.abs(miss) < 4.5 * sd).all()
    turn = np.angle(np.exp(1j * (solution.stands[:, 3] - truth.placements[:, 3])))
    stand_sd = solution.adjustment.sd[len(rig.parameters):].reshape(-1, 4)
    assert (np.abs(turn) < 4.5 * stand_sd[:, 3]).all()
    assert (np.abs(solution.stands[:, :3] - truth.placements[:, :3]) < 4.5 * stand_sd[:, :3]).all()


def test_converges_from_a_bad_tape_at_any_heading(rig):
    """Tape off by 3 cm and 5 deg in every value, all round the compass: the same solution."""
    rng = np.random.default_rng(11)
    for heading in np.radians(np.arange(0, 360, 30)):
        run, truth = simulate(rig, rng, poses=24, taped=False)
        turn = heading - truth.placements[0, 3]
        cosine, sine = np.cos(turn), np.sin(turn)
        clockwise = np.array([[cosine, sine, 0], [-sine, cosine, 0], [0, 0, 1]])
        run = replace(run, shots=replace(run.shots, position=run.shots.position @ clockwise.T))
        reference = solve(replace(run, rig=rig_started_at(rig, truth.parameters)))
        off = np.where(rig.held, 0, [0.03 if p.unit == "m" else np.radians(5)
                                     for p in rig.parameters])
        off *= rng.choice([-1, 1], len(off))
        solution = solve(replace(run, rig=rig_started_at(rig, truth.parameters + off)))
        sd = solution.adjustment.sd[solution.adjustment.free]
        shift = solution.adjustment.parameters - reference.adjustment.parameters
        shift[-1] = np.angle(np.exp(1j * shift[-1]))
        assert (np.abs(shift[solution.adjustment.free]) < 0.01 * sd).all()
        assert np.angle(np.exp(1j * (solution.stands[0, 3] - heading))) == pytest.approx(
            0, abs=np.radians(0.5))


def rig_started_at(rig, parameters):
    """The same rig with other starting values."""
    return replace(rig, parameters=tuple(
        replace(p, start=value) for p, value in zip(rig.parameters, parameters, strict=True)))


def test_intervals_are_honest(rig):
    """Over 120 runs 95 % intervals cover 93 to 97 %, and the variance factor averages 1."""
    rng = np.random.default_rng(2)
    inside, factors = [], []
    for _ in range(120):
        run, truth = simulate(rig, rng, poses=24)
        solution = solve(run)
        sd = np.sqrt(np.diag(solution.covariance))[~rig.held]
        miss = np.abs(solution.parameters - truth.parameters)[~rig.held]
        inside.append(miss < norm.ppf(0.975) * sd)
        factors.append(solution.adjustment.variance_factor)
    assert 0.93 < np.mean(inside) < 0.97
    assert abs(np.mean(factors) - 1) < 3 * np.std(factors) / np.sqrt(len(factors))


def test_what_only_the_tape_fixes_is_marked(rig):
    """Without the corners nothing but the tape knows the width and the skew of the edge."""
    run, _ = simulate(rig, np.random.default_rng(3), poses=24, targets=("edge_mid",))
    solution = solve(run)
    marked = {n for n, status in zip(rig.parameter_names, solution.status, strict=True)
              if status == "tape only"}
    assert marked == {"edge_width", "edge_skew"}
    i = rig.parameter_names.index("edge_width")
    assert solution.parameters[i] == pytest.approx(solution.tape[0][i])
    assert np.sqrt(solution.covariance[i, i]) == pytest.approx(solution.tape[1][i])


def test_what_nothing_fixes_is_an_error_in_words(rig):
    """Without corners and without tape the width, the skew and the rotate zero are named."""
    run, _ = simulate(rig, np.random.default_rng(3), poses=24, targets=("edge_mid",), taped=False)
    with pytest.raises(NotDetermined) as caught:
        solve(run)
    named = {name for d in caught.value.directions for name in d.names}
    assert {"edge_width", "edge_skew", "rotate_zero", "edge_side"} <= named
    assert named <= {"edge_width", "edge_skew", "rotate_zero", "edge_reach", "edge_side"}
    assert "edge_width alone" in str(caught.value)
    assert len(caught.value.directions) == 3


def test_a_taped_derived_quantity_is_a_prior(rig):
    """A taped pin-to-edge length enters the solution with its sd."""
    run, _ = simulate(rig, np.random.default_rng(4), poses=6, taped=False)
    without = solve(run)
    sharp = Tape(("pin_to_edge",), np.array([1.7]), np.array([1e-5]), ("m",), (2,))
    solution = solve(replace(run, tape=sharp))
    assert derived(solution)["pin_to_edge"].nominal_value == pytest.approx(1.7, abs=1e-4)
    assert derived(solution)["pin_to_edge"].std_dev == pytest.approx(1e-5, rel=0.01)
    assert abs(derived(without)["pin_to_edge"].nominal_value - 1.7) > 1e-3
    assert solution.adjustment.dof == without.adjustment.dof + 1


def test_tape_on_a_held_parameter_is_where_it_is_held(rig):
    """A held parameter takes the taped value and the tape row adds no observation."""
    run, _ = simulate(rig, np.random.default_rng(4), poses=20, taped=False)
    tape = Tape(("tilt_axis_side",), np.array([0.004]), np.array([0.001]), ("m",), (2,))
    solution = solve(replace(run, tape=tape))
    i = rig.parameter_names.index("tilt_axis_side")
    assert solution.parameters[i] == 0.004
    assert solution.status[i] == "held"
    assert solution.adjustment.dof == solve(run).adjustment.dof


def test_a_blind_sensor_is_refused_by_pose(rig):
    """A pose with the tilt axis near the vertical is an input fault that names pose and sensor."""
    run, truth = simulate(rig, np.random.default_rng(4), poses=20)
    joints = np.zeros((1, len(rig.readings)))
    joints[0, rig.reading_names.index("boom")] = np.radians(40)
    joints[0, rig.reading_names.index("stick")] = np.radians(-60)
    joints[0, rig.reading_names.index("coupler")] = np.radians(108)
    readings = run.poses.readings.copy()
    readings[7] = rig.chain.readings_for(truth.parameters, joints)[0]
    run = replace(run, poses=replace(run.poses, readings=readings))
    with pytest.raises(InputError, match=r"readings.csv line 9, column tilt: .*pose 08"):
        solve(run)


@pytest.mark.parametrize(("reading", "factor"), [("coupler", -1.0), ("tilt", np.degrees(1.0))])
def test_a_column_of_another_sign_or_unit_is_no_blind_pose(rig, reading, factor):
    """Nobody is told to leave out poses that are sound: the column is named."""
    run, _ = simulate(rig, np.random.default_rng(6), poses=30)
    readings = run.poses.readings.copy()
    readings[:, run.rig.reading_names.index(reading)] *= factor
    with pytest.raises(InputError) as caught:
        solve(replace(run, poses=replace(run.poses, readings=readings)))
    (complaint,) = caught.value.complaints
    assert complaint.line is None and complaint.column == "tilt"
    assert "of the other sign, in another unit" in complaint.expected


def test_freeing_a_held_parameter_costs_its_dof(rig):
    """A freed parameter is estimated and recovered within its sd."""
    freed = rig_from_dict({
        "template": "tilt_rotator", "free": ["tilt_axis_yaw", "rotation_axis_lean"],
        "shots": {"sd": {"east": 0.002, "north": 0.002, "up": 0.002}},
        "readings": {"sd": {name: 0.05 for name in rig.reading_names}},
    })
    run, truth = simulate(freed, np.random.default_rng(8), poses=40)
    solution = solve(run)
    for name in ("tilt_axis_yaw", "rotation_axis_lean"):
        i = freed.parameter_names.index(name)
        assert solution.status[i] == "estimated"
        assert truth.parameters[i] != 0
        sd = np.sqrt(solution.covariance[i, i])
        assert abs(solution.parameters[i] - truth.parameters[i]) < 4 * sd


def hardly_moved(rig, seed, by):
    """24 poses without tape, tilt and rotate moved by so few degrees only."""
    rng = np.random.default_rng(seed)
    _, truth = simulate(rig, rng)
    joints = rig.chain.posture(truth.parameters, np.tile(HOUSE_PLACEMENT, (24, 1)),
                               truth.readings, False).joints.copy()
    for reading in ("tilt", "rotate"):
        j = rig.reading_names.index(reading)
        joints[:, j] = np.radians(10 + by * rng.normal(size=24))
    return simulate(rig, rng, taped=False, joints=joints)[0]


def test_a_run_that_reading_noise_drowns_is_not_determined(rig):
    """Tilt and rotate move by less than their sds: not determined, and what hangs together."""
    ended = 0
    for seed in range(4):
        try:
            solve(hardly_moved(rig, [1, seed], 0.02))
        except NotDetermined as error:
            ended += 1
            assert error.nearly
            assert str(error).startswith("next to nothing fixes ")
            names = {name for direction in error.directions for name in direction.names}
            assert names & {"edge_reach", "edge_side", "edge_drop", "tilt_axis_drop",
                            "rotation_axis_ahead", "rotation_axis_side"}
    assert ended
    solve(hardly_moved(rig, [1, 0], 5.0))
