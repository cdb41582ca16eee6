"""Comparing set-ups: results and tapes in every combination."""

import numpy as np
import pytest

from calib.calibration import solve
from calib.judge.drift import Survey
from calib.report.comparison import Side, comparison, comparison_sections
from calib.report.plain import plain
from calib.run.records import Tape
from calib.simulate import drawn_parameters, simulate


def _survey(run, identity):
    solution = solve(run)
    return Survey(run.rig, solution.parameters, solution.covariance,
                  tuple(p.name for p in run.rig.parameters if not p.held), run.tape,
                  solution.adjustment.chi2, solution.adjustment.dof, identity)


@pytest.fixture(scope="module")
def runs(rig):
    """Two runs of one machine."""
    rng = np.random.default_rng(2)
    truth = drawn_parameters(rig, rng)
    return [simulate(rig, rng, poses=16, parameters=truth)[0] for _ in range(2)]


def _row(document, quantity):
    return next(r for r in document["rows"] if r["quantity"] == quantity)


def test_a_tape_that_took_part_is_recognised(runs):
    """The run's own tape is tested without itself; another tape with both variances."""
    survey = _survey(runs[0], "a")
    own = comparison(Side("solved", survey), Side("tape", tape=runs[0].tape))
    other = comparison(Side("solved", survey), Side("tape", tape=runs[1].tape))
    assert all(r["prior"] for r in own["rows"])
    assert not any(r["prior"] for r in other["rows"])
    sd = own["rows"][0]["second_sd"]
    assert _row(own, "boom_length")["difference_sd"] < sd < _row(
        other, "boom_length")["difference_sd"]


def test_sides_may_be_swapped(runs):
    """Tape first or result first: the differences change sign, the edge error does not."""
    survey = _survey(runs[0], "a")
    one = comparison(Side("s", survey), Side("t", tape=runs[0].tape))
    two = comparison(Side("t", tape=runs[0].tape), Side("s", survey))
    assert one["edge"] == two["edge"]
    for a, b in zip(one["rows"], two["rows"], strict=True):
        assert a["difference"] == pytest.approx(-b["difference"])
        assert (a["first"], a["second"]) == (b["second"], b["first"])
    assert "Entering t would" in plain(comparison_sections(two))


def test_two_results_of_one_machine_agree(runs):
    """Two runs of one machine differ by chance alone, in nearly every quantity."""
    document = comparison(Side("x", _survey(runs[0], "a")), Side("y", _survey(runs[1], "b")))
    z = np.array([r["z"] for r in document["rows"] if r["z"] is not None])
    assert len(z) == 15
    assert 0.4 < np.sqrt(np.mean(z**2)) < 1.7
    assert document["edge"]["summary"]["worst"] < 0.03


def test_results_of_the_same_shots_are_not_tested(runs):
    """One run solved twice: differences without a verdict, and a note that says why."""
    survey = _survey(runs[0], "a")
    document = comparison(Side("x", survey), Side("y", survey))
    assert all(r["z"] is None for r in document["rows"])
    assert "same shots" in document["notes"][0]
    assert document["edge"]["summary"]["worst"] == 0.0


def test_two_tapes_need_no_rig():
    """Tapes alone are compared without the edge, and it is said."""
    def tape(value):
        return Tape(("boom_length", "boom_zero"), np.array([value, 0.01]),
                    np.array([0.005, 0.002]), ("m", "deg"), (2, 3))

    document = comparison(Side("a", tape=tape(5.70)), Side("b", tape=tape(5.74)))
    assert document["edge"] is None
    row = _row(document, "boom_length")
    assert row["difference"] == pytest.approx(0.04)
    assert row["z"] == pytest.approx(0.04 / np.hypot(0.005, 0.005))
    assert row["significant"] and not _row(document, "boom_zero")["significant"]
    assert "More than chance: boom_length." in plain(comparison_sections(document))
