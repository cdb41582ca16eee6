"""The engine on a straight line, an exponential, a levelling net and an arm with angle readings."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from calib.adjust.mixed_model import ModelNotFinite, NotConverged, adjust
from calib.adjust.observations import Observations, Prediction, Prior
from tests.adjust.priors import prior_on


def without_readings(function):
    """A model from ``function(x) -> (values, design)``."""
    def model(x, _):
        values, design = function(x)
        return Prediction(values, design, np.zeros((len(values), 0)))

    return model


def single(values, sd):
    """Uncorrelated observations, each a block of its own."""
    return Observations.build(values, range(len(values)),
                              np.broadcast_to(sd, len(values))[:, None, None] ** 2)


# --- A straight line -----------------------------------------------------------------------------

T = np.array([0.0, 1.0, 2.0, 3.0, 5.0, 8.0])
LINE_Y = np.array([1.02, 2.96, 5.05, 7.01, 10.94, 17.03])
LINE_SD = np.array([0.02, 0.03, 0.05, 0.02, 0.04, 0.03])


@without_readings
def line(x):
    """y = x0 + x1 t."""
    design = np.column_stack([np.ones_like(T), T])
    return design @ x, design


def test_line_by_the_sums():
    """Estimate, covariance, chi2 by the textbook's weighted sums."""
    solved = adjust(line, single(LINE_Y, LINE_SD), [0.0, 0.0], names=["intercept", "slope"])
    w = 1 / LINE_SD**2
    s, st, sy, stt, sty = (np.sum(w * q) for q in (1, T, LINE_Y, T * T, T * LINE_Y))
    delta = s * stt - st**2
    expected = [(stt * sy - st * sty) / delta, (s * sty - st * sy) / delta]
    assert solved.parameters == pytest.approx(expected, rel=1e-10)
    np.testing.assert_allclose(
        solved.covariance, np.array([[stt, -st], [-st, s]]) / delta, rtol=1e-10)
    assert solved.sd == pytest.approx(np.sqrt([stt / delta, s / delta]))
    misfit = LINE_Y - expected[0] - expected[1] * T
    np.testing.assert_allclose(solved.residuals, misfit, rtol=0, atol=1e-12)
    assert solved.chi2 == pytest.approx(np.sum(w * misfit**2), rel=1e-10)
    assert solved.dof == 4
    assert solved.variance_factor == pytest.approx(solved.chi2 / 4)
    assert solved.names == ("intercept", "slope")


def test_residual_is_measured_less_computed():
    """An observation that is too large has a positive residual."""
    high = LINE_Y + np.array([0, 0, 0.2, 0, 0, 0])
    assert adjust(line, single(high, 0.02), [0.0, 0.0]).residuals[2] > 0.1


def test_line_without_redundancy():
    """Two points, two parameters: exact, and no variance factor to speak of."""
    exact = without_readings(lambda x: (x[0] + x[1] * T[:2], np.array([[1.0, 0], [1, 1]])))
    solved = adjust(exact, single(LINE_Y[:2], 0.1), [0.0, 0.0])
    assert solved.dof == 0
    assert solved.variance_factor is None
    np.testing.assert_allclose(solved.residuals, 0, atol=1e-12)


def test_held_parameter():
    """It keeps its value, has no variance, and the rest is a line through it."""
    solved = adjust(line, single(LINE_Y, LINE_SD), [0.9, 0.0], held=np.array([True, False]))
    w = 1 / LINE_SD**2
    assert solved.parameters[0] == 0.9
    assert solved.parameters[1] == pytest.approx(
        np.sum(w * T * (LINE_Y - 0.9)) / np.sum(w * T * T))
    np.testing.assert_allclose(
        solved.covariance, [[0, 0], [0, 1 / np.sum(w * T * T)]], rtol=1e-10)
    assert solved.dof == 5
    assert solved.free.tolist() == [False, True]


def test_everything_held():
    """No unknowns: the misfit of the values as they are."""
    solved = adjust(line, single(LINE_Y, LINE_SD), [1.0, 2.0], held=np.array([True, True]))
    assert solved.chi2 == pytest.approx(np.sum(((LINE_Y - 1 - 2 * T) / LINE_SD) ** 2))
    assert solved.dof == 6
    assert not solved.covariance.any()


def test_prior_counts_as_an_observation():
    """The same as one more row; its residual is value less estimate."""
    prior = prior_on(["slope"], [1], [2.1], sd=[0.01])
    with_prior = adjust(line, single(LINE_Y, LINE_SD), [0.0, 0.0], prior=prior)
    design = np.vstack([line(np.zeros(2), None).by_parameters, [0.0, 1.0]])
    with_row = adjust(without_readings(lambda x: (design @ x, design)),
                      single([*LINE_Y, 2.1], [*LINE_SD, 0.01]), [0.0, 0.0])
    assert with_prior.parameters == pytest.approx(with_row.parameters, rel=1e-10)
    np.testing.assert_allclose(with_prior.covariance, with_row.covariance, rtol=1e-10)
    assert with_prior.chi2 == pytest.approx(with_row.chi2)
    assert with_prior.dof == with_row.dof == 5
    assert with_prior.prior_residuals == pytest.approx(2.1 - with_prior.parameters[1:])


def test_start_is_not_changed():
    """The caller's array stays as it was."""
    start = np.zeros(2)
    adjust(line, single(LINE_Y, LINE_SD), start)
    assert not start.any()


# --- An exponential ------------------------------------------------------------------------------

@without_readings
def decay(x):
    """y = x0 exp(-x1 t) + x2."""
    e = np.exp(-x[1] * T)
    return x[0] * e + x[2], np.column_stack([e, -x[0] * T * e, np.ones_like(T)])


DECAY_TRUTH = np.array([5.0, 0.4, 1.0])


@pytest.mark.parametrize("start", [[1.0, 1.0, 0.0], [20.0, 0.1, -3.0], [3.0, 0.01, 4.0]])
def test_exponential_without_noise(start):
    """Exact observations give the truth back, from near and far."""
    solved = adjust(decay, single(decay(DECAY_TRUTH, None).values, 0.01), start, tolerance=1e-8)
    assert solved.parameters == pytest.approx(DECAY_TRUTH, rel=1e-9)
    assert solved.chi2 < 1e-12


def test_exponential_covariance_by_hand():
    """The inverse of the normal matrix at the solution, sds as stated."""
    y = decay(DECAY_TRUTH, None).values + 0.01 * np.array([1, -2, 0.5, 1, -1, 0.7])
    sd = np.array([0.01, 0.02, 0.01, 0.03, 0.01, 0.02])
    solved = adjust(decay, single(y, sd), [4.0, 0.5, 0.5])
    a = decay(solved.parameters, None).by_parameters
    expected = np.linalg.inv(a.T @ np.diag(1 / sd**2) @ a)
    np.testing.assert_allclose(solved.covariance, expected, rtol=1e-8)
    gradient = a.T @ (solved.residuals / sd**2)
    assert np.abs(gradient * solved.sd).max() < 1e-3  # within a thousandth of a sd of the best


def test_exponential_parabola_of_chi2():
    """Chi2 rises by one where a parameter is moved by one sd and the others follow."""
    y = decay(DECAY_TRUTH, None).values + 1e-3 * np.array([1, -2, 0.5, 1, -1, 0.7])
    observations = single(y, 1e-3)
    best = adjust(decay, observations, DECAY_TRUTH, tolerance=1e-8)
    for i in range(3):
        moved = best.parameters.copy()
        moved[i] += best.sd[i]
        held = np.arange(3) == i
        there = adjust(decay, observations, moved, held=held, tolerance=1e-8)
        assert there.chi2 - best.chi2 == pytest.approx(1.0, abs=0.01)


# --- A levelling net with correlated lines -------------------------------------------------------

def test_levelling_net_by_normal_equations():
    """Three loops, lines of one day correlated: against dense matrices."""
    design = np.array([[1.0, 0, 0], [-1, 1, 0], [0, -1, 1], [0, 0, -1], [1, 0, 0], [0, 1, 0],
                       [-1, 0, 1]])
    y = np.array([1.002, 0.998, 1.003, -3.001, 1.001, 2.003, 1.997])
    day = np.array([0, 1, 0, 2, 1, 0, 2])
    covariances = [1e-6 * (np.eye(n) + 0.5 * np.ones((n, n))) for n in np.bincount(day)]
    solved = adjust(without_readings(lambda x: (design @ x, design)),
                    Observations.build(y, day, covariances), np.zeros(3))
    dense = 1e-6 * (np.eye(7) + 0.5 * (day[:, None] == day))
    weight = np.linalg.inv(dense)
    covariance = np.linalg.inv(design.T @ weight @ design)
    estimate = covariance @ design.T @ weight @ y
    assert solved.parameters == pytest.approx(estimate, rel=1e-10)
    np.testing.assert_allclose(solved.covariance, covariance, rtol=1e-9)
    misfit = y - design @ estimate
    assert solved.chi2 == pytest.approx(misfit @ weight @ misfit, rel=1e-9)


# --- An arm whose angles are readings with errors -------------------------------------------------

POSES, ARM_TRUTH = 7, np.array([3.0, 2.0, 0.05, -0.08])
LINK_SD, ANGLE_COVARIANCE = 0.004, np.array([[4e-6, 1e-6], [1e-6, 9e-6]])
#: Pose of each shot: some poses have one shot, some two, the last none.
POSE = np.array([0, 0, 1, 2, 2, 3, 4, 4, 5])
#: Elbow or hand.
HAND = np.array([0, 1, 1, 0, 1, 1, 0, 1, 1])


def arm(x, readings):
    """Elbow and hand of two links in a plane: lengths and zeros, angles as readings."""
    first = readings[POSE, 0] + x[2]
    second = first + (readings[POSE, 1] + x[3])
    one = np.column_stack([np.cos(first), np.sin(first)])
    two = HAND[:, None] * np.column_stack([np.cos(second), np.sin(second)])
    left = [[0, -1], [1, 0]]
    turn_two = x[1] * two @ np.transpose(left)
    turn_one = x[0] * one @ np.transpose(left) + turn_two
    by_parameters = np.stack([one, two, turn_one, turn_two], axis=2)
    return Prediction((x[0] * one + x[1] * two).ravel(), by_parameters.reshape(-1, 4),
                      by_parameters[:, :, 2:].reshape(-1, 2))


def arm_observations(seed, rough=1.0):
    """Poses all over the circle, with noise in shots and, `rough` times as much, in readings."""
    rng = np.random.default_rng(seed)
    true, of_readings = rng.uniform(-2, 2, (POSES, 2)), rough**2 * ANGLE_COVARIANCE
    y = arm(ARM_TRUTH, true).values + rng.normal(0, LINK_SD, 2 * len(POSE))
    readings = true + rng.multivariate_normal([0, 0], of_readings, POSES)
    sizes = 2 * np.bincount(POSE, minlength=POSES)
    covariances = [LINK_SD**2 * (np.eye(n) + 0.3 * (1 - np.eye(n))) for n in sizes]
    return Observations.build(y, np.repeat(POSE, 2), covariances, readings,
                              np.tile(of_readings, (POSES, 1, 1)))


def full_adjustment(observations, prior):
    """Every reading an unknown of its own and an observation too; derivatives numerical."""
    n = len(observations.values)
    covariance = np.zeros((n, n))
    for group in observations.groups:
        for rows, block in zip(group.rows, group.covariance, strict=True):
            covariance[np.ix_(rows, rows)] = block
    shots = np.linalg.inv(np.linalg.cholesky(covariance))
    angles = np.linalg.inv(np.linalg.cholesky(observations.reading_covariance[0]))
    sd = np.sqrt(np.diag(prior.covariance))

    def residuals(z):
        x, readings = z[:4], z[4:].reshape(POSES, 2)
        return np.concatenate([
            shots @ (observations.values - arm(x, readings).values),
            ((observations.readings - readings) @ angles.T).ravel(),
            (prior.values - prior.function(x)[0]) / sd,
        ])

    start = np.concatenate([ARM_TRUTH, observations.readings.ravel()])
    return least_squares(residuals, start, jac="3-point", method="lm", xtol=1e-15, ftol=1e-15,
                         gtol=1e-15, x_scale="jac")


@pytest.mark.parametrize("with_prior", [False, True])
@pytest.mark.parametrize("rough", [1.0, 10.0])
@pytest.mark.parametrize("seed", range(4))
def test_equals_the_full_adjustment(seed, rough, with_prior):
    """Estimates, sds, corrections and chi2 are those with every reading carried as an unknown."""
    observations = arm_observations(seed, rough)
    prior = prior_on(["first"], [0], [3.001], sd=[0.002]) if with_prior else Prior.none()
    solved = adjust(arm, observations, [2.5, 2.5, 0.0, 0.0], prior=prior, tolerance=1e-8)
    full = full_adjustment(observations, prior)
    covariance = np.linalg.inv(full.jac.T @ full.jac)[:4, :4]
    sd = np.sqrt(np.diag(covariance))
    assert np.abs((solved.parameters - full.x[:4]) / sd).max() < 1e-5
    np.testing.assert_allclose(solved.covariance, covariance, rtol=0,
                               atol=1e-5 * np.outer(sd, sd).max())
    assert solved.sd == pytest.approx(sd, rel=1e-5)
    corrected = observations.readings + solved.corrections
    np.testing.assert_allclose(corrected.ravel(), full.x[4:], rtol=0, atol=1e-8)
    assert solved.chi2 == pytest.approx(2 * full.cost, rel=1e-6)
    # Either way of counting gives the same degrees of freedom.
    assert solved.dof == len(full.fun) - len(full.x)


def test_default_tolerance_is_close_to_the_full_adjustment():
    """With the default tolerance: estimates within 0.02 sd, sds within 1 %."""
    observations = arm_observations(9)
    solved = adjust(arm, observations, [2.5, 2.5, 0.0, 0.0])
    full = full_adjustment(observations, Prior.none())
    sd = np.sqrt(np.diag(np.linalg.inv(full.jac.T @ full.jac)))[:4]
    assert np.abs((solved.parameters - full.x[:4]) / sd).max() < 0.02
    assert solved.sd == pytest.approx(sd, rel=0.01)


def at_raw_readings(observations):
    """Pope's pitfall: everything evaluated at the readings as they were read."""
    def raw(x, _):
        prediction = arm(x, observations.readings)
        return Prediction(prediction.values, prediction.by_parameters, np.zeros((2 * len(POSE), 0)))

    x = ARM_TRUTH
    for _ in range(20):
        b = arm(x, observations.readings).by_readings
        covariances = [np.zeros((0, 0))] * POSES
        for group in observations.groups:
            for rows, block, covariance in zip(group.rows, group.blocks, group.covariance,
                                               strict=True):
                q = observations.reading_covariance[block]
                covariances[block] = covariance + b[rows] @ q @ b[rows].T
        x = adjust(raw, Observations.build(observations.values, np.repeat(POSE, 2), covariances),
                   x).parameters
    return x


def test_raw_readings_would_be_another_answer():
    """Rough readings make the pitfall visible: the tests above can tell the two apart."""
    observations = arm_observations(3, rough=10.0)
    right = adjust(arm, observations, ARM_TRUTH)
    assert np.abs((right.parameters - at_raw_readings(observations)) / right.sd).max() > 0.3


def test_a_pose_without_shots_gets_no_correction():
    """Nothing was seen there, so nothing is known better."""
    solved = adjust(arm, arm_observations(0), ARM_TRUTH)
    assert not solved.corrections[6].any()
    assert solved.corrections[:6].all()


def test_corrections_are_added_to_the_readings():
    """One reading planted 5 sd too high is corrected downwards."""
    observations = arm_observations(2)
    before = adjust(arm, observations, ARM_TRUTH).corrections[2, 0]
    observations.readings[2, 0] += 5 * np.sqrt(ANGLE_COVARIANCE[0, 0])
    assert adjust(arm, observations, ARM_TRUTH).corrections[2, 0] < before - 3e-3


def test_whiteners_and_design_of_the_result():
    """What reliability and covariance are computed from: G M G' = I, and J'J the normal matrix."""
    observations = arm_observations(0)
    solved = adjust(arm, observations, ARM_TRUTH)
    linearised = solved.linearised
    for group, whitener in zip(observations.groups, linearised.whiteners[:-1], strict=True):
        b = linearised.by_readings[group.rows]
        m = group.covariance + b @ ANGLE_COVARIANCE @ b.transpose(0, 2, 1)
        eye = np.broadcast_to(np.eye(m.shape[1]), m.shape)
        np.testing.assert_allclose(whitener @ m @ whitener.transpose(0, 2, 1), eye, atol=1e-10)
    normal = linearised.design.T @ linearised.design
    np.testing.assert_allclose(np.linalg.inv(normal), solved.covariance, rtol=1e-7)


# --- No result -----------------------------------------------------------------------------------

def test_not_converged_is_raised():
    """One refresh from far away is not enough: an exception, never a half-baked result."""
    with pytest.raises(NotConverged, match=r"after 1 iterations .* still moves by .* of its sd"):
        adjust(arm, arm_observations(2), ARM_TRUTH + 0.2, most_iterations=1)
    assert adjust(arm, arm_observations(2), ARM_TRUTH + 0.2).iterations > 1


def bent(x, readings):
    """A curve of the reading alone."""
    at = readings[:, 0]
    return Prediction(at + 150 * at**2, np.zeros((3, 1)), (1 + 300 * at)[:, None])


def bent_readings(values, **options):
    """Three readings of sd 1e-3 adjusted to observations as good."""
    observations = Observations.build(values, range(3), np.full((3, 1, 1), 1e-6),
                                      np.zeros((3, 1)), np.full((3, 1, 1), 1e-6))
    return adjust(bent, observations, [0.0], held=np.array([True]), **options)


def test_not_converged_says_how_far_even_below_one_sd():
    """One refresh towards observations 0.6 sd away: readings and observations share that."""
    with pytest.raises(NotConverged, match=r"a reading of block 1 still moves by 0\.3 of its sd"):
        bent_readings([0.0, 6e-4, 0.0], most_iterations=1, tolerance=1e-11)


def test_readings_settle_to_a_share_of_their_own_sd():
    """Sds of 1e-3 on a bent model: settled within 0.1 % of that, not of a radian."""
    usual, settled = (bent_readings([2e-3, -1e-3, 4e-3], tolerance=t) for t in (1e-3, 1e-11))
    assert np.abs(settled.corrections).min() > 0.3e-3
    np.testing.assert_allclose(usual.corrections, settled.corrections, rtol=0, atol=2e-6)


def test_nothing_left_to_refresh_ends_at_once():
    """Without readings the weights are what they were: one round is all."""
    assert adjust(line, single(LINE_Y, LINE_SD), [0.0, 0.0], most_iterations=1).iterations == 1


@pytest.mark.parametrize("held", [False, True])
def test_readings_that_never_settle(held):
    """l^3 - 2 l + 2 from 0: Newton's iteration goes 0, 1, 0, 1, ... and so would the readings."""
    def cycle(x, readings):
        reading = readings[:, 0]
        return Prediction(reading**3 - 2 * reading + 2 + np.array([0.0, x[0]]),
                          np.array([[0.0], [1.0]]), (3 * reading**2 - 2)[:, None])

    observations = Observations.build([0.0, 2.0], [0, 1], np.full((2, 1, 1), 1e-8),
                                      [[0.0], [0.0]], np.full((2, 1, 1), 1.0))
    with pytest.raises(NotConverged, match="after 50 iterations a reading of block 0 still moves"):
        adjust(cycle, observations, [0.0], held=np.array([held]))


def steep_valley(steepness):
    """Rosenbrock's valley: the bottom is at (1, 1), the way along it is bent."""
    @without_readings
    def valley(x):
        values = np.array([steepness * (x[1] - x[0] ** 2), -x[0]])
        return values, np.array([[-2 * steepness * x[0], steepness], [-1.0, 0.0]])

    return valley, single(np.array([0.0, -1.0]), 1.0)


def test_a_valley_that_can_be_followed():
    """The way round the bend is long, but it ends where it should."""
    assert adjust(*steep_valley(1e4), [-1.2, 1.0]).parameters == pytest.approx([1.0, 1.0])


def test_step_that_does_not_end():
    """A least-squares step that runs out of evaluations is no result."""
    with pytest.raises(NotConverged, match=r"step did not end: The maximum number of function"):
        adjust(*steep_valley(1e6), [-1.2, 1.0])


def test_step_that_ends_for_want_of_progress():
    """Nothing moves any more, 51 sd away from the best: standing still is not convergence."""
    with pytest.raises(NotConverged, match="after 50 iterations x0 still moves by 51 of its sd"):
        adjust(*steep_valley(1e6), [-50.0, 2500.0])


def test_model_not_finite_at_the_start():
    """Which observations, and where the model was asked."""
    @without_readings
    def root(x):
        with np.errstate(invalid="ignore"):
            values = np.sqrt(x[0] - T)
        return values, np.ones((len(T), 1))

    with pytest.raises(ModelNotFinite, match=r"not finite for observations \[4, 5\]") as refused:
        adjust(root, single(LINE_Y, LINE_SD), [4.0])
    assert refused.value.rows.tolist() == [4, 5]
    assert refused.value.parameters.tolist() == [4.0]


@pytest.mark.parametrize("which", ["by_parameters", "by_readings"])
def test_derivatives_not_finite(which):
    """A derivative that is no number is refused like a value."""
    def broken(x, readings):
        parts = {"values": np.full(2, x[0]), "by_parameters": np.ones((2, 1)),
                 "by_readings": np.ones((2, 1))}
        parts[which][1, 0] = np.nan
        return Prediction(**parts)

    observations = Observations.build([1.0, 2.0], [0, 1], np.ones((2, 1, 1)), np.zeros((2, 1)),
                                      np.ones((2, 1, 1)))
    with pytest.raises(ModelNotFinite, match=r"observations \[1\]"):
        adjust(broken, observations, [0.0])


def test_runaway_parameters_are_not_convergence():
    """A model whose readings outgrow double precision ends as NotConverged, not as a crash."""

    def model(parameters, readings):
        steep = np.array([[1.0], [1.0]]) * 1e12
        return Prediction(np.zeros(2), np.ones((2, 1)), steep)

    observations = Observations.build([1.0, 2.0], [0, 0], [np.eye(2)], [[0.0]], [[[1.0]]])
    with pytest.raises(NotConverged, match="ran away"), np.errstate(all="ignore"):
        adjust(model, observations, [0.0])
