"""What a solution and a judgement are to somebody who goes on with them in Python."""

import pickle

import numpy as np
import pytest

from calib.calibration import solve
from calib.judge.judgement import judge
from calib.simulate import simulate


@pytest.fixture(scope="module")
def solution(rig):
    """A run from two stands, with check shots."""
    run, _ = simulate(rig, np.random.default_rng(0), poses=16, stands=2, check_poses=2)
    return solve(run)


def test_a_solution_survives_a_pickle(solution):
    """Numbers, and what is worked out from them afterwards."""
    again = pickle.loads(pickle.dumps(solution))
    np.testing.assert_array_equal(again.adjustment.covariance, solution.adjustment.covariance)
    np.testing.assert_array_equal(again.misses, solution.misses)
    np.testing.assert_array_equal(again.shots_alone.singular, solution.shots_alone.singular)
    h, by_unknowns = again.problem.prior.function(again.adjustment.parameters)
    np.testing.assert_array_equal(again.problem.prior.values - h,
                                  solution.adjustment.prior_residuals)
    assert by_unknowns.shape == (len(h), len(again.problem.layout))


def test_a_judgement_survives_a_pickle(solution):
    """The same gates; the solution without suspects solves no worse."""
    judgement = judge(solution)
    again = pickle.loads(pickle.dumps(judgement))
    assert again.gates == judgement.gates
    np.testing.assert_array_equal(again.suspects.without.parameters,
                                  judgement.suspects.without.parameters)
    assert len(repr(judgement)) < 200 and "Judgement" in repr(judgement)
    assert judgement._repr_html_().count("<tr>") == len(judgement.gates)


def test_representations_are_short(solution):
    """One line that says what it is."""
    for thing in (solution, solution.problem, solution.adjustment, solution.run, solution.rig):
        assert type(thing).__name__ in repr(thing)
        assert len(repr(thing)) < 200
    assert f"{len(solution.run.shots)} shots" in repr(solution)
    html = solution._repr_html_()
    assert html.count("<tr>") + html.count("<tr ") == len(solution.rig.parameters) + 1
    assert len(html) < 20_000


def test_frame_of_parameters(solution):
    """Every unknown with its sd, in m and deg; zero where held."""
    frame = solution.frame("parameters")
    adjustment, layout = solution.adjustment, solution.problem.layout
    assert list(frame.index) == list(adjustment.names)
    angle = np.array(layout.units) == "deg"
    np.testing.assert_allclose(frame["value"][angle], np.degrees(adjustment.parameters[angle]))
    np.testing.assert_allclose(frame["sd"][~angle], adjustment.sd[~angle])
    assert (frame["sd"] == 0).equals(frame["held"])
    assert set(frame["scope"]) == {"rig", "stand"}
    assert frame.loc["heading of stand S1", "unit"] == "deg"
    assert frame["tape"].notna().sum() == len(solution.run.tape.quantities)


def test_frames_of_shots_and_readings(solution):
    """One row each, residuals and corrections as the solution has them."""
    shots, readings = solution.frame("shots"), solution.frame("readings")
    run = solution.run
    assert list(shots.index) == list(run.shots.ids)
    np.testing.assert_allclose(shots[["residual_east", "residual_north", "residual_up"]],
                               solution.residuals)
    np.testing.assert_allclose(shots["sd_up"], np.sqrt(run.shots.covariance[:, 2, 2]))
    assert len(readings) == run.poses.readings.size
    name = run.rig.reading_names[3]
    assert readings.loc[(run.poses.ids[5], name), "value"] == pytest.approx(
        np.degrees(run.poses.readings[5, 3]))
    assert readings["sd"].iloc[0] == pytest.approx(np.degrees(run.poses.sd[0, 0]))
    with pytest.raises(ValueError, match="parameters, shots, readings"):
        solution.frame("tapes")
