"""Two results of one rig months apart: what moved?"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import f as f_distribution
from scipy.stats import ncf

from calib.adjust.congruency import Epoch, weighted_difference
from calib.adjust.reliability import influence
from calib.calibration import solve
from calib.chain.rig import rig_from_dict
from calib.judge.common import difference_covariance
from calib.judge.drift import (
    SURVEY_SCALE,
    SURVEY_VERTICAL,
    NotComparable,
    _same_precision,
    drift,
    epoch,
    marginal,
)
from calib.judge.same_model import CHAIN, described_otherwise, structure_differences
from calib.judge.survey import Survey
from calib.report.pages.drifted import drift_document, drift_sections
from calib.report.press.terminal import plain
from calib.report.words.model import otherwise_says
from calib.run.records import Tape
from calib.simulate import drawn_parameters, simulate
from tests.conftest import STANDARD


def survey_of(run, identity="") -> Survey:
    """A run solved."""
    solution = solve(run)
    adjustment = solution.adjustment
    return Survey(
        run.rig, solution.parameters, solution.covariance,
        tuple(p.name for p in run.rig.parameters if not p.held), run.tape, adjustment.chi2,
        adjustment.dof, identity,
    )


def _pair(rig, seed, change=None, poses=14):
    rng = np.random.default_rng(seed)
    truth = drawn_parameters(rig, rng)
    later = truth.copy()
    for name, amount in (change or {}).items():
        later[rig.parameter_names.index(name)] += amount
    first, _ = simulate(rig, rng, poses=poses, parameters=truth)
    second, _ = simulate(rig, rng, poses=poses, parameters=later)
    return first, second


@pytest.mark.slow
def test_false_alarms_come_at_the_stated_level(rig):
    """Machines that did not change raise an alarm in 5 % of the pairs, within three sds."""
    pairs = 120
    alarms, p_values = 0, []
    for seed in range(pairs):
        found = drift(*(survey_of(run) for run in _pair(rig, 3000 + seed, poses=10)))
        alarms += not found.congruency.congruent
        p_values.append(found.congruency.p_value)
    assert abs(alarms / pairs - 0.05) < 3 * np.sqrt(0.05 * 0.95 / pairs)
    assert np.mean(p_values) == pytest.approx(0.5, abs=4 * np.sqrt(1 / 12 / pairs))


def test_a_worn_edge_is_found_and_measured(rig):
    """An edge worn by 9 mm is named, with its change within three of its sds."""
    found = drift(*(survey_of(run)
                    for run in _pair(rig, 11, {"edge_drop": -0.009}, poses=24)))
    assert not found.congruency.congruent
    assert found.moved_names[0] == "edge_drop"
    sd = np.sqrt(found.congruency.change_covariance[0, 0])
    assert abs(found.congruency.change[0] + 0.009) < 3 * sd
    assert sd < 0.003


def test_two_changes_are_both_found(rig):
    """A slipped sensor and a bent edge together are told apart."""
    change = {"boom_zero": np.radians(0.4), "edge_skew": np.radians(0.8)}
    found = drift(*(survey_of(run) for run in _pair(rig, 12, change, poses=24)))
    assert set(found.moved_names) == set(change)
    for name, amount in zip(found.moved_names, found.congruency.change, strict=True):
        assert amount == pytest.approx(change[name], abs=np.radians(0.15))


@pytest.mark.slow
def test_a_shared_tape_correlates_the_results(rig):
    """With the same tape in both, differences have the sds that simulation shows."""
    truth = drawn_parameters(rig, np.random.default_rng(1))
    column = rig.parameter_names.index("boom_length")
    differences, predicted = [], []
    for seed in range(60):
        rng = np.random.default_rng(700 + seed)
        first, _ = simulate(rig, rng, poses=6, parameters=truth)
        second, _ = simulate(rig, rng, poses=6, parameters=truth)
        second = type(second)(**{**vars(second), "tape": first.tape})
        older, newer = (survey_of(run) for run in (first, second))
        differences.append(newer.parameters[column] - older.parameters[column])
        found = drift(older, newer)
        predicted.append(found.difference_sd[found.names.index("boom_length")])
    scatter = np.sqrt(np.mean(np.square(differences)))
    assert scatter == pytest.approx(np.mean(predicted), rel=4 / np.sqrt(2 * 60))
    # Without the correlation the sd would be clearly larger than what is seen.
    assert np.mean(predicted) < 0.9 * np.sqrt(2) * np.sqrt(older.covariance[column, column])


@pytest.mark.slow
def test_power_is_as_predicted(rig):
    """A change of 6 mm is found as often as the noncentral F distribution says."""
    change, pairs = {"edge_drop": -0.006}, 50
    found = [drift(*(survey_of(run) for run in _pair(rig, 5000 + k, change, poses=10)))
             for k in range(pairs)]
    power = []
    for k in range(8):
        older, newer = (survey_of(run) for run in _pair(rig, 5000 + k, change, poses=10))
        names = found[k].names
        origin = older.parameters[older.index(names)]
        weight, _ = weighted_difference(*(epoch(s, names, origin) for s in (older, newer)))
        noncentrality = weight[(names.index("edge_drop"),) * 2] * change["edge_drop"] ** 2
        test = found[k].congruency
        power.append(ncf(test.rank, test.dof, noncentrality).sf(test.limit))
    expected = np.mean(power)
    assert 0.15 < expected < 0.9
    seen = np.mean([not f.congruency.congruent for f in found])
    assert seen == pytest.approx(expected, abs=3 * np.sqrt(expected * (1 - expected) / pairs))


def test_what_the_shots_cannot_tell_apart_is_said(rig):
    """Without tilt, the tilt axis higher and the edge higher are one: both are named."""
    _, truth = simulate(rig, np.random.default_rng(13), poses=14)
    joints = rig.chain.posture(truth.parameters, truth.placements[np.zeros(14, int)],
                               truth.readings, False).joints
    joints[:, rig.reading_names.index("tilt")] *= 0.02
    later = truth.parameters.copy()
    later[rig.parameter_names.index("edge_drop")] -= 0.02
    runs = [simulate(rig, np.random.default_rng(seed), poses=14, parameters=p, joints=joints)[0]
            for seed, p in ((14, truth.parameters), (15, later))]
    document, text = told(*(survey_of(run) for run in runs))
    first = document.moved[0]
    assert {first.name, *first.alternatives} >= {"edge_drop", "tilt_axis_drop"}
    assert "these shots cannot tell" in text


def test_results_of_the_same_shots_are_refused(rig):
    """The same shots solved twice say nothing about movement."""
    run, _ = simulate(rig, np.random.default_rng(3), poses=12)
    survey = survey_of(run, "0" * 64)
    with pytest.raises(NotComparable, match="same shots"):
        drift(survey, survey)


def test_two_machines_are_called_that_first_and_no_difference_is_passed_over(rig):
    """Doubt stands first and names the failed gates; every large difference has a mark."""
    older, newer = (survey_of(simulate(rig, np.random.default_rng(seed), poses=14)[0])
                    for seed in (1, 2))
    newer = replace(newer, failed=("suspects",))
    found = drift(older, newer)
    assert found.more_moved
    document, text = told(older, newer)
    assert text.index("These are probably two machines, or a result failed its gates: the newer "
                      "result failed suspects.") < text.index("Were both results right")
    assert all(row.mark for row in document.rows if abs(row.z) > 3)
    assert not document.passed


def told(older, newer):
    """The document of a drift test, and what a person reads of it in one line."""
    document = drift_document(older, newer, drift(older, newer))
    return document, " ".join(plain(drift_sections(document)).split())


def _other_rig(**changes):
    return rig_from_dict({**STANDARD, **changes})


def with_shots(survey, run):
    """The survey knowing what was shot."""
    names = [run.rig.target_names[t] for t in run.shots.target]
    return replace(survey, shots=tuple(
        (name, *place) for name, place in zip(names, run.shots.position.tolist(), strict=True)))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_another_held_value_is_told_first_and_nothing_is_blamed(rig, seed):
    """rotation_axis_lean at 0, then at 0.5 deg, of a machine that did not change."""
    first, second = _pair(rig, seed, poses=20)
    leaning = _other_rig(values={"rotation_axis_lean": 0.5})
    older, newer = survey_of(first), survey_of(replace(second, rig=leaning))
    document, text = told(older, newer)
    assert text.startswith("The two results are of different models: the rotation axis lean is "
                           "held at 0 deg in the older and held at 0.5 deg in the newer.")
    assert document.moved == [] and "moved: " not in text
    assert not any(row.moved for row in document.rows)
    assert drift(older, newer).moved_names == ()
    assert not document.passed


def test_a_value_held_by_the_tape_counts_as_held(rig):
    """A held parameter that the tape sets differs by what it was solved with, not by the rig."""
    first, second = _pair(rig, 4, poses=14)
    tape = second.tape
    taped = replace(tape, quantities=(*tape.quantities, "tilt_axis_side"),
                    value=np.append(tape.value, 0.012), sd=np.append(tape.sd, 0.004),
                    unit=(*tape.unit, "m"), line=(*tape.line, 99))
    _, text = told(survey_of(first), survey_of(replace(second, tape=taped)))
    assert "tilt axis side is held at 0 mm in the older and held at 12 mm in the newer" in text


def test_held_in_one_and_estimated_in_the_other(rig):
    """The held value of one may be wrong: different models, whichever way round."""
    first, second = _pair(rig, 4, poses=20)
    older, newer = survey_of(first), survey_of(
        replace(second, rig=_other_rig(free=["rotation_axis_lean"])))
    for pair, words in (((older, newer), "held at 0 deg in the older and estimated in the newer"),
                        ((newer, older), "estimated in the older and held at 0 deg in the newer")):
        document, text = told(*pair)
        assert f"rotation axis lean is {words}" in text
        assert not document.passed and document.moved == []


def test_what_no_shot_touches_may_be_held_as_one_likes(rig):
    """The width of the boom foot pin matters only to shots at its ends."""
    first, second = _pair(rig, 4, poses=14)
    wider = replace(second, rig=_other_rig(values={"boom_foot_width": 0.9}))
    older, newer = with_shots(survey_of(first), first), with_shots(survey_of(wider), wider)
    assert drift(older, newer).comparable
    both = [replace(s, shots=(*s.shots, ("boom_foot_left", float(i), 0.0, 0.0)))
            for i, s in enumerate((older, newer))]
    assert [d.name for d in drift(*both).models] == ["boom_foot_width"]


def test_sensors_that_count_the_other_way_are_another_model(rig):
    """A reading with the other direction, a chain with other motions."""
    first, second = _pair(rig, 4, poses=14)
    direction = {**STANDARD["readings"], "direction": {"tilt": -1}}
    sign = np.where(np.array(rig.reading_names) == "tilt", -1.0, 1.0)
    other = replace(second, rig=_other_rig(readings=direction),
                    poses=replace(second.poses, readings=second.poses.readings * sign))
    _, text = told(survey_of(first), survey_of(other))
    assert "the direction of tilt is +1 in the older and -1 in the newer" in text
    bucket = rig_from_dict({**STANDARD, "template": "swing_boom_tilt_rotator"})
    assert structure_differences(survey_of(first), replace(survey_of(first), rig=bucket))[
        0].kind == CHAIN
    renamed = _other_rig(title="The same machine", targets={
        "edge_mid": {**rig.definition["targets"]["edge_mid"], "means": "other words"}})
    assert not structure_differences(survey_of(first), replace(survey_of(first), rig=renamed))


@pytest.mark.parametrize("turns", [-1, 1])
def test_a_zero_a_whole_turn_away_has_not_moved(rig, turns):
    """rotate_zero 180 against -180 deg, with the tape on the same side: nothing moved."""
    first, second = _pair(rig, 5, poses=20)
    older, plain_newer = survey_of(first), survey_of(second)
    column = rig.parameter_names.index("rotate_zero")
    moved = plain_newer.parameters.copy()
    moved[column] += 2 * np.pi * turns
    for tape_turns in (0, turns):
        value = plain_newer.tape.value.copy()
        value[plain_newer.tape.quantities.index("rotate_zero")] += 2 * np.pi * tape_turns
        newer = replace(plain_newer, parameters=moved, tape=replace(plain_newer.tape, value=value))
        found, expected = drift(older, newer), drift(older, plain_newer)
        assert found.congruency.omega == pytest.approx(expected.congruency.omega, rel=1e-6)
        np.testing.assert_allclose(found.difference, expected.difference, atol=1e-12)
        at = found.names.index("rotate_zero")
        row = drift_document(older, newer, found).rows[at]
        assert row.difference == pytest.approx(np.degrees(found.difference[at]))
        assert row.newer == pytest.approx(np.degrees(moved[column]))


def test_the_same_tape_written_a_turn_away_is_shared(rig):
    """rotate_zero taped as 180 and as -180 deg is one row, as far as correlation goes."""
    first, second = _pair(rig, 5, poses=14)
    shared = replace(second, tape=first.tape)
    older, newer = survey_of(first), survey_of(shared)
    value = newer.tape.value.copy()
    value[newer.tape.quantities.index("rotate_zero")] += 2 * np.pi
    turned = replace(newer, tape=replace(newer.tape, value=value))
    np.testing.assert_allclose(difference_covariance(older, turned, rig.parameter_names),
                               difference_covariance(older, newer, rig.parameter_names))


def test_differences_have_the_covariance_that_a_joint_solution_gives(rig):
    """With the tape shared, to first order: propagate shots and tape through both solutions."""
    first, second = _pair(rig, 6, poses=8)
    second = replace(second, tape=first.tape)
    solutions = [solve(run) for run in (first, second)]
    older, newer = (survey_of(run) for run in (first, second))
    total = 0.0
    for solution in solutions:
        moved = influence(solution.adjustment)
        p = len(rig.parameters)
        own = solution.adjustment.covariance[:p, :p]
        tape = moved.priors[:, :p].T @ solution.adjustment.prior.covariance @ moved.priors[:, :p]
        total = total + own - tape
    gain = [influence(s.adjustment).priors[:, :p] for s in solutions]
    change = gain[1] - gain[0]
    total = total + change.T @ solutions[0].adjustment.prior.covariance @ change
    np.testing.assert_allclose(difference_covariance(older, newer, rig.parameter_names), total,
                               rtol=1e-6, atol=1e-15)


def test_the_tape_is_taken_out_with_its_sign(rig):
    """A run with a wrong tape, the tape taken out, says what the run without a tape says."""
    run, _ = simulate(rig, np.random.default_rng(8), poses=24)
    wrong = replace(run.tape, value=run.tape.value + 3 * run.tape.sd)
    with_tape = survey_of(replace(run, tape=wrong))
    bare = survey_of(replace(run, tape=Tape.none()))
    names = bare.estimated
    origin = bare.parameters[bare.index(names)]
    one, two = epoch(with_tape, names, origin), epoch(bare, names, origin)
    assert one.dof == two.dof
    estimate = np.linalg.solve(one.information, one.score)
    sd = np.sqrt(np.diag(np.linalg.inv(two.information)))
    assert np.abs(estimate / sd).max() < 0.1
    # The solutions themselves, tape included, are far apart.
    moved = with_tape.parameters[with_tape.index(names)] - origin
    assert np.abs(moved / sd).max() > 1.0


def test_exchanged_corners_are_a_mirror_image_not_a_movement(rig):
    """Left and right exchanged in every shot, the width not taped: one machine told otherwise."""
    first, second = _pair(rig, 7, poses=20)
    left, right = (rig.target_names.index(f"edge_{side}") for side in ("left", "right"))
    target = second.shots.target
    mirrored = replace(
        second, tape=Tape.none(),
        shots=replace(second.shots, target=np.where(target == left, right, left)))
    newer = survey_of(mirrored)
    assert newer.parameters[rig.parameter_names.index("edge_width")] < -1.0
    document, text = told(survey_of(first), newer)
    assert text.startswith("Both describe one machine with edge left and edge right exchanged")
    assert document.moved == [] and not document.passed


def test_exchanged_lengths_are_exchanged_columns(rig):
    """Boom and stick with each other's length: no boom grows by metres."""
    first, second = _pair(rig, 7, poses=20)
    newer = survey_of(second)
    a, b = newer.index(["boom_length", "stick_length"])
    parameters = newer.parameters.copy()
    parameters[[a, b]] = parameters[[b, a]]
    parameters[newer.index(["rotate_zero"])] += np.pi / 2
    found = described_otherwise(survey_of(first), replace(newer, parameters=parameters))
    assert otherwise_says(found).startswith(
        "The boom length and the stick length have exchanged their values")


def test_a_real_change_is_not_taken_for_another_description(rig):
    """A narrower attachment, a rotator mounted half a turn round, a worn edge."""
    survey = survey_of(_pair(rig, 7, poses=14)[0])
    for name, amount in (("edge_width", -0.3), ("rotate_zero", np.pi), ("edge_drop", -0.2)):
        parameters = survey.parameters.copy()
        parameters[survey.index([name])] += amount
        assert described_otherwise(survey, replace(survey, parameters=parameters)) is None


def _scaled(run, factor):
    middle = run.shots.position.mean(0)
    return replace(run, shots=replace(
        run.shots, position=middle + factor * (run.shots.position - middle)))


def _tipped(run, angle, heading):
    """The shots with their vertical tipped by `angle` towards `heading`, rad."""
    about = np.array([-np.cos(heading), np.sin(heading), 0.0])
    rotation = Rotation.from_rotvec(angle * about).as_matrix()
    middle = run.shots.position.mean(0)
    return replace(run, shots=replace(
        run.shots, position=middle + (run.shots.position - middle) @ rotation.T))


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_a_survey_scale_is_not_put_down_to_a_length(rig, seed):
    """All lengths 0.3 % larger: the scale, with its size, and no length."""
    first, second = _pair(rig, seed, poses=24)
    older, newer = survey_of(first), survey_of(_scaled(second, 1.003))
    document, text = told(older, newer)
    assert document.moved[0].name == SURVEY_SCALE
    assert document.moved[0].change == pytest.approx(0.3, abs=0.12)
    assert "not the machine" in text and not document.passed


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_a_tipped_vertical_is_not_put_down_to_three_sensors(rig, seed):
    """Up leaning 0.4 deg along the boom of the only stand."""
    first, second = _pair(rig, seed, poses=24)
    heading = solve(second).stands[0, 3]
    older, newer = survey_of(first), survey_of(_tipped(second, np.radians(0.4), heading))
    document, _ = told(older, newer)
    assert document.moved[0].name == SURVEY_VERTICAL
    assert abs(document.moved[0].change) == pytest.approx(0.4, abs=0.1)
    assert not any(m.name.endswith("_zero") for m in document.moved)


def test_failed_gates_make_any_name_conditional(rig):
    """A worn edge is found, but the older run has suspects: it is said so, and status 6."""
    older, newer = (survey_of(run) for run in _pair(rig, 11, {"edge_drop": -0.009}, poses=24))
    document, text = told(replace(older, failed=("suspects",)), newer)
    assert text.startswith("The older result failed suspects: what seems to have moved may be its "
                           "mistake.")
    assert "Were both results right, this would have moved: edge drop." in text
    # Without any difference a failed gate is no clean bill either.
    first, second = _pair(rig, 4, poses=14)
    document, text = told(survey_of(first), replace(survey_of(second), failed=("check",)))
    assert document.test.congruent and not document.passed
    assert told(survey_of(first), survey_of(second))[0].passed


def test_shots_in_both_runs_are_refused(rig):
    """A run and the same run with a few shots more have nothing to say about movement."""
    first, second = _pair(rig, 9, poses=14)
    older, newer = with_shots(survey_of(first), first), with_shots(survey_of(second), second)
    assert drift(older, newer)
    mixed = replace(newer, shots=(*newer.shots, *older.shots[:3]))
    with pytest.raises(NotComparable, match=r"same shots \(3 of them\)"):
        drift(older, mixed)


def test_two_machines_and_the_wrong_way_round_are_said_first(rig):
    """Before any verdict: the older one has the later times, or the jobs name two machines."""
    older, newer = (survey_of(run) for run in _pair(rig, 9, poses=14))
    late, early = "2026-05-01T08:00:00", "2025-11-01T08:00:00"
    assert "wrong way round" not in told(replace(older, time=early), replace(newer, time=late))[1]
    for time in (early, "2025-11-01"):
        document, text = told(replace(older, time=late), replace(newer, time=time))
        assert text.startswith("The two are the wrong way round") and time in document.doubt
    seventh, second = replace(older, whose=("Yard 7", "")), replace(newer, whose=("Yard 2", "1"))
    document, text = told(seventh, second)
    assert text.startswith("These are two machines") and not document.moved
    assert not document.passed and "Yard 7" in text and "Yard 2" in text
    assert told(seventh, replace(newer, whose=("yard  7", "1")))[0].doubt is None
    _, text = told(older, replace(newer, rig=_other_rig(name="another")))
    assert "of the rig tilt_rotator, the newer of another: are they of one machine?" in text


def test_few_poses_on_one_side(rig):
    """A run without any redundancy of its own: tested with the other's, or told that it cannot."""
    first, second = _pair(rig, 10, poses=14)
    few = replace(second, poses=replace(
        second.poses, ids=second.poses.ids[:1], stand=second.poses.stand[:1],
        readings=second.poses.readings[:1], sd=second.poses.sd[:1], time=second.poses.time[:1],
        line=second.poses.line[:1]), shots=second.shots.select(second.shots.pose < 1))
    older, newer = survey_of(first), survey_of(few)
    names = older.estimated
    assert epoch(newer, names, older.parameters[older.index(names)]).dof == 0
    found = drift(older, newer)
    assert found.same_precision and found.congruency.dof > 0
    with pytest.raises(ValueError, match="redundancy"):
        drift(replace(newer, identity="x"), newer)


def test_an_epoch_that_fits_worse_is_weighted_by_how_it_fits(rig):
    """Sds of one run stated three times too small: no more alarms than stated, and it is said."""
    alarms = 0
    for seed in range(10):
        first, second = _pair(rig, 8000 + seed, poses=10)
        sharp = replace(
            second,
            shots=replace(second.shots, covariance=second.shots.covariance / 9),
            poses=replace(second.poses, sd=second.poses.sd / 3), tape=Tape.none())
        older, newer = survey_of(replace(first, tape=Tape.none())), survey_of(sharp)
        found = drift(older, newer)
        alarms += not found.congruency.congruent
        assert not found.same_precision
    assert alarms <= 2
    assert "do not fit equally well" in told(older, newer)[1]


def test_an_epoch_about_some_parameters_leaves_the_others_free(rig):
    """The marginal of an epoch is what solving with the others as unknowns gives."""
    rng = np.random.default_rng(3)
    design, values = rng.normal(size=(20, 5)) * [1, 10, 0.1, 1, 100], rng.normal(size=20)
    whole = Epoch(design.T @ design, design.T @ values, 3.0, 15)
    for kept in ([0, 2], [4, 1, 3], [0, 1, 2, 3, 4]):
        part = marginal(whole, kept)
        covariance = np.linalg.inv(design.T @ design)
        estimate = covariance @ design.T @ values
        np.testing.assert_allclose(np.linalg.inv(part.information),
                                   covariance[np.ix_(kept, kept)], rtol=1e-8)
        np.testing.assert_allclose(np.linalg.solve(part.information, part.score), estimate[kept],
                                   rtol=1e-8)
        assert (part.chi2, part.dof) == (3.0, 15)
    # What nothing told, kept or not, changes nothing for the others.
    blind = Epoch(np.pad(whole.information, (0, 1)), np.append(whole.score, 0.0), 3.0, 15)
    np.testing.assert_allclose(marginal(blind, [0, 2]).score, marginal(whole, [0, 2]).score)
    np.testing.assert_allclose(marginal(blind, [0, 1, 2, 3, 5]).information[-1], 0.0)


@pytest.mark.parametrize("dofs", [(20, 50), (80, 15)])
def test_precision_is_compared_at_five_per_cent_two_sided(dofs):
    """Variance factors at the 2 % and 3 % points of F on either side."""
    for tail, alike in ((0.02, False), (0.03, True)):
        for quantile in (f_distribution.isf, f_distribution.ppf):
            first = Epoch(np.eye(2), np.zeros(2), 3 * quantile(tail, *dofs) * dofs[0], dofs[0])
            second = Epoch(np.eye(2), np.zeros(2), 3.0 * dofs[1], dofs[1])
            assert _same_precision(first, second) is alike
