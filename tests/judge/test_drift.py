"""Two results of one rig months apart: what moved?"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import ncf

from calib.adjust.congruency import weighted_difference
from calib.calibration import solve
from calib.judge.drift import NotComparable, Survey, drift, epoch
from calib.report.drifted import drift_document, drift_sections
from calib.report.plain import plain
from calib.simulate import drawn_parameters, simulate


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
    document = drift_document(older, newer, found)
    text = " ".join(plain(drift_sections(document)).split())
    assert text.index("These are probably two machines, or a result failed its gates: the newer "
                      "result failed suspects.") < text.index("Moved beyond chance")
    assert all(row["mark"] for row in document["rows"] if abs(row["z"]) > 3)
