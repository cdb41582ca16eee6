"""A free station solved in the same adjustment against every unknown carried by plain scipy."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares

from calib.calibration import solve
from calib.intake.files.pointings import Pointings
from calib.intake.geometry.free_station import Given, NoStation, approximate
from calib.intake.geometry.polar import (
    InstrumentSds,
    PolarShots,
    distance_sd,
    points,
    shot_covariance,
)
from calib.intake.matching.backsights import agreement_of
from calib.intake.matching.known_points import KnownPoints
from calib.run.records import SetUps
from calib.simulate import simulate
from tests.intake.one_station import solve_station

SDS = InstrumentSds(
    direction=np.radians(5 / 3600), zenith=np.radians(5 / 3600), distance=0.002,
    distance_ppm=2.0, pointing=0.001,
)
KNOWN = np.array([[60.0, 40.0, 2.0], [-15.0, 30.0, 5.0], [10.0, -35.0, 1.0], [45.0, -20.0, 3.0]])
KNOWN_SD = 0.002


def polar_of(target, station, orientation):
    """Errorless sights, both faces."""
    arm = target - station
    distance = np.linalg.norm(arm, axis=1)
    return PolarShots(
        np.arctan2(arm[:, 0], arm[:, 1]) - orientation, np.arccos(arm[:, 2] / distance), distance,
        np.zeros(len(arm)), np.ones(len(arm), bool))


def noisy(polar, rng):
    """The same with the errors that `SDS` states."""
    n, across = len(polar), SDS.pointing
    sin_z = np.sin(polar.zenith)
    sd_direction = np.hypot(SDS.direction, across / (polar.distance * sin_z))
    return PolarShots(
        polar.direction + sd_direction * rng.normal(size=n),
        polar.zenith + np.hypot(SDS.zenith, across / polar.distance) * rng.normal(size=n),
        polar.distance
        + np.hypot(distance_sd(polar.distance, SDS), across) * rng.normal(size=n),
        polar.target_height, polar.both_faces)


@pytest.fixture(scope="module")
def field(rig):
    """A run shot from two free stations with common known points, and the raw sights."""
    rng = np.random.default_rng(5)
    run, truth = simulate(rig, rng, poses=14)
    shots = run.shots
    stations = [np.array([18.0, 22.0, 3.1]), np.array([34.0, -6.0, 2.2])]
    turns = [np.radians(217.3), np.radians(40.0)]
    setup = np.arange(len(shots)) % 2
    exact = truth.positions
    raw, sight_raw, values = [], [], []
    known_seen = KNOWN + KNOWN_SD * rng.normal(size=KNOWN.shape)
    for station, turn in zip(stations, turns, strict=True):
        sights = noisy(polar_of(KNOWN, station, turn), rng)
        position, orientation = approximate(sights, known_seen, Given.nothing())
        sight_raw.append(sights)
        values.append(np.append(position, orientation))
        raw.append(noisy(polar_of(exact, station, turn), rng))
    position, covariance = shots.position.copy(), shots.covariance.copy()
    for s in range(2):
        rows = setup == s
        position[rows] = points(raw[s], values[s][:3], values[s][3])[rows]
        covariance[rows] = shot_covariance(raw[s], values[s][3], SDS)[rows]
    set_ups = SetUps(
        ids=("A", "B"), position=np.array(values)[:, :3],
        orientation=np.array(values)[:, 3], sd=np.full((2, 4), np.nan),
        sight_setup=np.repeat([0, 1], len(KNOWN)),
        sight_point=tuple(f"CP{i}" for i in range(len(KNOWN))) * 2,
        sight=np.vstack([points(r, v[:3], v[3]) for r, v in zip(sight_raw, values, strict=True)]),
        sight_covariance=np.vstack([
            shot_covariance(r, v[3], SDS) for r, v in zip(sight_raw, values, strict=True)]),
        known=np.vstack([known_seen] * 2), known_sd=np.full((8, 3), KNOWN_SD))
    run = replace(run, set_ups=set_ups, shots=replace(
        shots, position=position, covariance=covariance, setup=setup))
    return run, raw, sight_raw, values, known_seen, setup


def explicit(field, solution):
    """Rig, stands, set-ups, known points and readings all as unknowns of plain least squares,
    on the raw directions, zenith angles and distances; returns parameters and covariance."""
    run, raw, sight_raw, values, known_seen, setup = field
    rig, poses, shots = run.rig, run.poses, run.shots
    free = np.flatnonzero(~rig.held)
    n_free, n_stands = len(free), len(solution.problem.stands)
    shape = poses.readings.shape
    # Angles and distance of one sight, whitened: pointing acts on all three, as in `SDS`.

    def whitened(polar, target, station, turn):
        model = polar_of(target, station, turn)
        sin_z = np.sin(polar.zenith)
        turned = np.mod(polar.direction - model.direction + np.pi, 2 * np.pi) - np.pi
        return np.concatenate([
            turned / np.hypot(SDS.direction, SDS.pointing / (polar.distance * sin_z)),
            (polar.zenith - model.zenith) / np.hypot(SDS.zenith, SDS.pointing / polar.distance),
            (polar.distance - model.distance)
            / np.hypot(distance_sd(polar.distance, SDS), SDS.pointing)])

    def residuals(x):
        parameters = solution.problem.start[: len(rig.parameters)].copy()
        parameters[free] = x[:n_free]
        at = n_free + 4 * n_stands
        stands, stations = x[n_free:at], x[at:at + 8].reshape(2, 4)
        known = x[at + 8:at + 8 + KNOWN.size].reshape(KNOWN.shape)
        readings = poses.readings + poses.sd * x[at + 8 + KNOWN.size:].reshape(shape)
        unknowns = np.concatenate([parameters, stands, np.zeros(8)])
        edge = solution.problem.points(
            unknowns, readings, shots.target, shots.pose, jacobian=False).position
        parts = [x[at + 8 + KNOWN.size:], ((known_seen - known) / KNOWN_SD).ravel()]
        for s in range(2):
            rows = np.flatnonzero(setup == s)
            own = PolarShots(*(getattr(raw[s], name)[rows] for name in (
                "direction", "zenith", "distance", "target_height", "both_faces")))
            parts.append(whitened(own, edge[rows], stations[s, :3], stations[s, 3]))
            parts.append(whitened(sight_raw[s], known, stations[s, :3], stations[s, 3]))
        tape = run.tape
        index = [rig.parameter_names.index(q) for q in tape.quantities]
        parts.append((tape.value - parameters[index]) / tape.sd)
        return np.concatenate(parts)

    adjusted = solution.adjustment.parameters
    start = np.concatenate([
        adjusted[free], adjusted[len(rig.parameters):len(rig.parameters) + 4 * n_stands],
        np.ravel(values), known_seen.ravel(), np.zeros(poses.readings.size)])
    found = least_squares(residuals, start, method="trf", x_scale="jac", jac="3-point",
                          xtol=1e-13, ftol=1e-13, gtol=1e-13)
    return found.x, np.linalg.inv(found.jac.T @ found.jac), free


def test_same_adjustment_equals_everything_explicit(field):
    """Parameters within 0.02 sd and sds within 1 % of the adjustment that carries it all."""
    run = field[0]
    solution = solve(run)
    x, covariance, free = explicit(field, solution)
    n = len(free)
    sd = np.sqrt(np.diag(covariance))[:n]
    difference = (solution.parameters[free] - x[:n]) / sd
    assert np.abs(difference).max() < 0.02
    ratio = np.sqrt(np.diag(solution.covariance))[free] / sd
    assert np.abs(ratio - 1).max() < 0.01
    corrections = solution.problem.corrections(solution.adjustment.parameters)
    at = n + 4 * len(solution.problem.stands)
    stations = x[at:at + 8].reshape(2, 4)
    station_sd = np.sqrt(np.diag(covariance))[at:at + 8].reshape(2, 4)
    together = np.array(field[3]) + corrections
    assert (np.abs(together - stations) < 0.02 * station_sd).all()


def test_leaving_the_shared_part_out_is_worse(field):
    """Shots taken at their approximate place, as if the set-ups were errorless, differ: the test
    above would see it."""
    run = field[0]
    solution = solve(run)
    plain = solve(replace(run, set_ups=None, shots=replace(run.shots, setup=None)))
    free = ~run.rig.held
    sd = np.sqrt(np.diag(solution.covariance))[free]
    difference = np.abs(plain.parameters - solution.parameters)[free] / sd
    assert difference.max() > 0.1
    # With two set-ups the edge's width is better known if they are thought errorless.
    assert not np.allclose(np.diag(plain.covariance)[free], sd**2, rtol=0.01)


def test_station_errors_are_as_stated():
    """Over 400 free stations the error in the metric of its covariance averages 4."""
    rng = np.random.default_rng(11)
    station, turn = np.array([12.0, 8.0, 1.6]), np.radians(217.3)
    squares = []
    for _ in range(400):
        sights = noisy(polar_of(KNOWN, station, turn), rng)
        known = KNOWN + KNOWN_SD * rng.normal(size=KNOWN.shape)
        found = solve_station(sights, np.arange(len(KNOWN)), known,
                              np.tile(np.eye(3) * KNOWN_SD**2, (len(KNOWN), 1, 1)), SDS)
        error = np.append(found.position - station,
                          np.mod(found.orientation - turn + np.pi, 2 * np.pi) - np.pi)
        squares.append(error @ np.linalg.solve(found.covariance, error))
    # Mean of 400 chi-square of 4: 4 +- 0.14 (one sd).
    assert abs(np.mean(squares) - 4.0) < 3 * np.sqrt(8 / 400)


@pytest.mark.parametrize("given", [
    Given.nothing(), Given(np.array([np.nan, np.nan, 1.6, np.nan]), np.array(
        [np.nan, np.nan, 0.001, np.nan]))])
def test_the_check_of_a_set_up_is_its_adjustment_by_itself(given):
    """Residuals, chi-square and redundancy of the check at import are those of the oracle."""
    rng = np.random.default_rng(12)
    sights = noisy(polar_of(KNOWN, np.array([12.0, 8.0, 1.6]), np.radians(217.3)), rng)
    ids = ("A", "B", "C", "D")
    known = KnownPoints("known.csv", ids, KNOWN + KNOWN_SD * rng.normal(size=KNOWN.shape),
                        np.full(KNOWN.shape, KNOWN_SD))
    found = Pointings("raw.csv", ids, (), (), (), (), (), (), "", "", sights, ("S",) * 4,
                      np.full(4, np.nan))
    agreement = agreement_of(found, "S", known, given, SDS)
    alone = solve_station(sights, np.arange(4), known.position,
                          np.tile(np.eye(3) * KNOWN_SD**2, (4, 1, 1)), SDS, given).adjustment
    assert agreement.dof == alone.dof
    assert agreement.chi2 == pytest.approx(alone.chi2, rel=1e-3)
    np.testing.assert_allclose(agreement.residuals, -alone.residuals.reshape(-1, 3), atol=1e-5)


def test_closed_form_is_exact_without_errors():
    """Any orientation, two points: the closed form gives the station back to a micrometre."""
    for turn in (0.0, 1.0, 3.1, 6.2):
        station = np.array([-20.0, 5.0, 2.0])
        sights = polar_of(KNOWN[:2], station, turn)
        position, orientation = approximate(sights, KNOWN[:2], Given.nothing())
        np.testing.assert_allclose(position, station, atol=1e-6)
        assert abs(np.sin(orientation - turn)) < 1e-9


def test_one_known_point_is_not_enough():
    """A single known point leaves the orientation open, and the message says what is needed."""
    sights = polar_of(KNOWN[:1], np.zeros(3), 0.3)
    with pytest.raises(NoStation, match="two known points"):
        approximate(sights, KNOWN[:1], Given.nothing())
