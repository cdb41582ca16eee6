"""Comparing set-ups: results and tapes in every combination."""

from dataclasses import replace

import numpy as np
import pytest

from calib.calibration import solve
from calib.chain.rig import rig_from_dict
from calib.edge import edge_positions, envelope_edge
from calib.judge.survey import Survey
from calib.report.pages.comparison import Side, comparison, comparison_sections
from calib.report.press.terminal import plain
from calib.run.records import Tape
from calib.simulate import drawn_parameters, simulate
from tests.conftest import STANDARD

#: What a comparison begins with where the second is a tape or another result.
SECOND_ENTERED = ("With the values of the second entered where those of the first are right, the "
                  "edge is off by ")


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
    return next(r for r in document.rows if r.quantity == quantity)


def test_a_tape_that_took_part_is_recognised(runs):
    """The run's own tape is tested without itself; another tape with both variances."""
    survey = _survey(runs[0], "a")
    own = comparison(Side("solved", survey), Side("tape", tape=runs[0].tape))
    other = comparison(Side("solved", survey), Side("tape", tape=runs[1].tape))
    assert all(r.prior for r in own.rows)
    assert not any(r.prior for r in other.rows)
    sd = own.rows[0].second_sd
    assert _row(own, "boom_length").difference_sd < sd < _row(
        other, "boom_length").difference_sd


def test_sides_may_be_swapped(runs):
    """Tape first or result first: the differences change sign, the edge error does not."""
    survey = _survey(runs[0], "a")
    one = comparison(Side("s", survey), Side("t", tape=runs[0].tape))
    two = comparison(Side("t", tape=runs[0].tape), Side("s", survey))
    assert one.edge == two.edge
    for a, b in zip(one.rows, two.rows, strict=True):
        assert a.difference == pytest.approx(-b.difference)
        assert (a.first, a.second) == (b.second, b.first)
    assert _lead(two).startswith("With the values of the first entered where those of the second "
                                 "are right, the edge is off by ")


def test_a_tape_of_which_much_is_missing_is_not_judged(runs):
    """What it has not is taken as solved at the edge: how much that is stands on top."""
    tape = runs[0].tape
    part = replace(tape, quantities=tape.quantities[:2], value=tape.value[:2], sd=tape.sd[:2],
                   unit=tape.unit[:2], line=tape.line[:2])
    whole, document = (comparison(Side("s", _survey(runs[0], "a")), Side("t", tape=t))
                       for t in (tape, part))
    assert whole.not_taped == [] and len(document.not_taped) == 13
    assert document.good_enough is None
    assert _lead(document).startswith("With the taped values entered (2 of 15, the others as ")
    assert "open: The second of the two cannot be judged: 13 of the 15 values" in _lead(document)


def test_two_results_of_one_machine_agree(runs):
    """Two runs of one machine differ by chance alone, in nearly every quantity."""
    document = comparison(Side("x", _survey(runs[0], "a")), Side("y", _survey(runs[1], "b")))
    z = np.array([r.z for r in document.rows if r.z is not None])
    assert len(z) == 15
    assert 0.4 < np.sqrt(np.mean(z**2)) < 1.7
    assert document.edge.summary.worst < 0.03


def test_results_of_the_same_shots_are_not_tested(runs):
    """One run solved twice: differences without a verdict, and a note that says why."""
    survey = _survey(runs[0], "a")
    document = comparison(Side("x", survey), Side("y", survey))
    assert all(r.z is None for r in document.rows)
    assert "same shots" in document.notes[0]
    assert document.edge.summary.worst == 0.0


def test_two_tapes_need_no_rig():
    """Tapes alone are compared without the edge, and it is said."""
    def tape(value):
        return Tape(("boom_length", "boom_zero"), np.array([value, 0.01]),
                    np.array([0.005, 0.002]), ("m", "deg"), (2, 3))

    document = comparison(Side("a", tape=tape(5.70)), Side("b", tape=tape(5.74)))
    assert document.edge is None
    row = _row(document, "boom_length")
    assert row.difference == pytest.approx(0.04)
    assert row.z == pytest.approx(0.04 / np.hypot(0.005, 0.005))
    assert row.significant and not _row(document, "boom_zero").significant
    assert "Quantities that differ by more than chance: boom length." in plain(
        comparison_sections(document))


def _lead(document):
    return " ".join(plain(comparison_sections(document)).split())


def _vague(survey, factor):
    """The same values, all less well known."""
    return replace(survey, covariance=factor**2 * survey.covariance)


def test_the_edge_comes_first_with_its_sd_labelled(runs):
    """Far apart at the edge and every quantity within chance: the millimetres open the page."""
    rng = np.random.default_rng(3)
    survey = _vague(_survey(runs[0], "a"), 6)
    tape = runs[0].tape
    other = replace(tape, value=tape.value + 2 * tape.sd * rng.choice([-1, 1], len(tape.sd)),
                    sd=6 * tape.sd)
    document = comparison(Side("solved", survey), Side("tape.csv", tape=other))
    assert not any(r.significant for r in document.rows)
    edge, text = document.edge, _lead(document)
    worst = 1000 * edge.summary.worst
    assert worst > 25
    at = edge.worst_at
    point = at.point.replace("_", " ")
    assert text.startswith(f"{SECOND_ENTERED}{worst:.0f} mm at worst (3-D; 95 %: "
                           f"{1000 * edge.worst_low95:.0f} to "
                           f"{1000 * edge.worst_high95:.0f} mm), at {point} (reach "
                           f"{at.reach}, tilt ")
    assert document.good_enough is None
    assert "The second of the two may or may not be good enough for the 30 mm required" in text
    assert "they agree within their sds; what these differences add up to at the edge" in text
    assert "more than chance" not in text.split("Lengths in mm")[0]
    assert edge.worst_high95 - edge.summary.worst == pytest.approx(
        1.959964 * edge.worst_sd, rel=1e-6)
    assert edge.summary.worst - edge.worst_low95 == pytest.approx(
        1.959964 * edge.worst_sd, rel=1e-6)


def test_of_a_result_that_is_not_to_be_entered_nothing_is_good_enough(runs):
    """However near its edge is to the other's: it opens with a no, and no yes follows."""
    one, two = _survey(runs[0], "a"), _survey(runs[1], "b")
    assert "yes: The second of the two is good enough" in _lead(
        comparison(Side("x", one), Side("y", two)))
    barred = comparison(Side("x", one), Side("y", two, warning="Do not enter these values."))
    assert _lead(barred).startswith("- NO: The second: Do not enter these values.")
    assert "good enough" not in _lead(barred) and barred.good_enough is None
    other = replace(two, parameters=two.parameters + 0.02)
    far = comparison(Side("x", one), Side("y", other, warning="Do not enter these values."))
    assert far.good_enough is False and "NO: The second of the two is not good" in _lead(far)


def test_two_results_open_with_the_edge_too(runs):
    """Second entered where the first is right; the sd is that of the difference."""
    one, two = _survey(runs[0], "a"), _survey(runs[1], "b")
    document = comparison(Side("x", one), Side("y", two))
    assert _lead(document).startswith(SECOND_ENTERED)
    alone = comparison(Side("x", one), Side("y", replace(two, covariance=0 * two.covariance)))
    assert alone.edge.worst_sd < document.edge.worst_sd
    assert vars(alone.edge.summary) == pytest.approx(vars(document.edge.summary))


def test_a_shared_tape_makes_the_difference_at_the_edge_smaller_in_sd(runs):
    """Two runs with one tape are correlated; the sd at the edge knows it."""
    one = _survey(runs[0], "a")
    two = _survey(runs[1], "b")
    shared = _survey(replace(runs[1], tape=runs[0].tape), "b")
    sds = [comparison(Side("x", one), Side("y", s)).edge.worst_sd for s in (two, shared)]
    assert sds[1] < sds[0]


def test_small_differences_that_add_up_are_tested_together(runs):
    """Every quantity within two sds, in the one direction that the runs exclude."""
    one, two = _survey(runs[0], "a"), _survey(runs[1], "b")
    names = list(one.estimated)
    index = one.index(names)
    covariance = (one.covariance + two.covariance)[np.ix_(index, index)]
    sd = np.sqrt(np.diag(covariance))
    _, vectors = np.linalg.eigh(covariance / np.outer(sd, sd))
    parameters = one.parameters.copy()
    weakest = vectors[:, 0] / np.abs(vectors[:, 0]).max()
    parameters[index] += 2.0 * weakest * sd
    moved = replace(two, parameters=parameters, tape=Tape.none())
    document = comparison(Side("x", one), Side("y", moved))
    assert not any(r.significant for r in document.rows)
    assert document.together.significant and document.together.dof == len(names)
    z = np.linalg.solve(covariance, parameters[index] - one.parameters[index])
    assert document.together.chi2 == pytest.approx(
        (parameters[index] - one.parameters[index]) @ z, rel=1e-6)
    assert "but all of them together do (chi-square" in _lead(document)


def test_results_of_the_same_shots_have_no_sd_at_the_edge(runs):
    """And it is said where it would stand."""
    survey = _survey(runs[0], "a")
    moved = survey.parameters.copy()
    moved[survey.index(["edge_drop"])] += 0.01
    document = comparison(Side("x", survey), Side("y", replace(survey, parameters=moved)))
    assert document.edge.worst_sd is None and document.together is None
    assert _lead(document).startswith(f"{SECOND_ENTERED}10 mm at worst (3-D; no sd), at ")
    assert document.good_enough
    assert "No quantity can be tested." in _lead(document)


def test_different_models_are_compared_at_the_edge_alone(runs):
    """Another held value, another direction of a sensor: no quantity is accused, the edge is."""
    one, two = _survey(runs[0], "a"), _survey(runs[1], "b")
    leaning = two.parameters.copy()
    leaning[two.index(["rotation_axis_lean"])] = np.radians(0.5)
    held = comparison(Side("x", one), Side("y", replace(two, parameters=leaning)))
    assert not any(r.significant for r in held.rows)
    assert held.notes[0].startswith("They are of different models, no quantity is tested: "
                                    "the rotation axis lean is held at 0 deg in the first and "
                                    "held at 0.5 deg in the second")
    readings = {**STANDARD["readings"], "direction": {"tilt": -1}}
    turned = rig_from_dict({**STANDARD, "readings": readings})
    other = comparison(Side("x", one), Side("y", replace(one, rig=turned, identity="b")))
    # The same numbers with tilt counting the other way: wrong by twice the tilt, nothing shared.
    nodes = envelope_edge(one.rig, one.parameters)
    arm = np.linalg.norm(nodes.position - edge_positions(
        turned, one.parameters, nodes.readings, nodes.targets)[0].position, axis=2)
    assert other.edge.summary.worst == pytest.approx(arm[nodes.seen].max())
    assert other.edge.shares == [] and other.edge.worst_sd is None
    bucket = rig_from_dict({**STANDARD, "template": "tilting_bucket", "readings": {"sd": {}}})
    values = np.array([p.start for p in bucket.parameters])
    strange = Survey(bucket, values, np.zeros((len(values),) * 2), (), Tape.none(), 0.0, 0, "c")
    assert comparison(Side("x", one), Side("y", strange)).edge is None


def test_angles_are_compared_the_short_way_round(runs):
    """rotate_zero at 180 and at -180 deg: between tapes, results, and at the edge."""
    one = _survey(runs[0], "a")
    column = one.index(["rotate_zero"])
    moved = one.parameters.copy()
    moved[column] += 2 * np.pi
    turned = replace(one, parameters=moved, identity="b")
    document = comparison(Side("x", one), Side("y", turned))
    assert _row(document, "rotate_zero").difference == pytest.approx(0, abs=1e-9)
    assert _lead(document).startswith(f"{SECOND_ENTERED}0 mm")
    assert all(s.alone < 1e-9 for s in document.edge.shares)

    def tape(degrees):
        return Tape(("rotate_zero",), np.radians([degrees]), np.radians([0.5]), ("deg",), (2,))

    tapes = comparison(Side("a", tape=tape(180.0)), Side("b", tape=tape(-179.8)))
    assert _row(tapes, "rotate_zero").difference == pytest.approx(0.2)
    against = [_row(comparison(Side("x", one), Side("t", tape=tape(d))), "rotate_zero").z
               for d in (0.3, 360.3)]
    assert against[0] == pytest.approx(against[1]) and abs(against[0]) < 10
