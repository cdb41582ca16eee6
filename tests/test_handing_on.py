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


@pytest.fixture(scope="module")
def judgement(rig):
    """Of a run with a planted gross error in a shot."""
    run, truth = simulate(rig, np.random.default_rng(3), poses=16, check_poses=2, gross_errors=1)
    return judge(solve(run)), truth


def test_frames_of_a_judgement(judgement):
    """What was found, row by row; the planted error as large as it was planted."""
    judgement, truth = judgement
    gates, suspects = judgement.frame("gates"), judgement.frame("suspects")
    assert tuple(gates.index[~gates["passed"]]) == judgement.failed
    (name, planted), = truth.gross.items()
    worst = suspects.loc[name]
    assert worst["beyond_chance"] and worst["unit"] == "m"
    assert worst["miss"] == pytest.approx(np.linalg.norm(planted), abs=0.01)
    shots, readings = judgement.frame("shots"), judgement.frame("readings")
    assert shots["suspect"][name] and not readings["suspect"].any()
    assert shots[["w_east", "w_north", "w_up"]].abs().max(axis=1).idxmax() == name
    assert (readings["redundancy"].between(0, 1)).all()
    check = judgement.frame("check")
    np.testing.assert_allclose(check["miss_3d"], judgement.check.lengths)
    assert list(judgement.frame("noise").index) == [n.name for n in judgement.noise]
    assert judgement.frame("trends").index.names == ["what", "against"]
    assert len(repr(judgement.suspects)) < 100
    with pytest.raises(ValueError, match="gates, suspects, shots"):
        judgement.frame("tapes")


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
