"""Suspects in simulated runs: found, told apart, set aside, and good values left alone."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from calib.adjust.critical import equal_power_level, noncentrality
from calib.adjust.mixed_model import NotConverged
from calib.adjust.reliability import GroupTests, reliability
from calib.calibration import solve
from calib.chain.rig import rig_from_dict
from calib.foretold import foretold, replaced_readings
from calib.judge.choice import solve_as_chosen
from calib.judge.judgement import judge
from calib.judge.set_aside import SUSPECTS, SetAside, UnknownName, named, without
from calib.judge.shot_checks import check_shots
from calib.judge.suspects import find_suspects
from calib.report.words.gate import gate_says, too_many_says
from calib.report.words.suspect import replaced_says, suspect_says
from calib.run.records import SetUps
from calib.simulate import simulate
from tests.conftest import STANDARD


def biased(run, i, bias):
    position = run.shots.position.copy()
    position[i] += bias
    return replace(run, shots=replace(run.shots, position=position))


@pytest.mark.slow
def test_an_error_of_detectable_size_is_found_four_times_in_five(rig):
    """200 runs, one shot off by its own detectable bias in a random direction: 80 % found."""
    rng, found = np.random.default_rng(10), 0
    for seed in range(200):
        if seed % 10 == 0:  # the geometry changes every ten runs, the errors in every one
            clean, truth = simulate(rig, np.random.default_rng(1000 + seed),
                                    stands=1 + seed % 20 // 10)
            tests = GroupTests.of(solve(clean).adjustment)
        run = redrawn(clean, truth, rng)
        i = int(rng.integers(len(run.shots)))
        direction = rng.normal(size=3)
        # The length at which a bias in this direction has noncentrality lambda0.
        c = shot_block(tests, i)
        bias = direction * np.sqrt(noncentrality() / (direction @ c @ direction))
        solution = solve(biased(run, i, bias))
        test = GroupTests.of(solution.adjustment).test(range(3 * i, 3 * i + 3))
        found += test.statistic > limit(3)
    assert found / 200 == pytest.approx(0.80, abs=0.06)


def limit(dof):
    return chi2.isf(equal_power_level(dof), dof)


def shot_block(tests, i):
    """C of one shot, (3, 3): its detectable bias along d is sqrt(lambda0 / d'Cd)."""
    group, block, at = tests.place[3 * i]
    return tests.parts[group][1][block][at : at + 3, at : at + 3]


def redrawn(run, truth, rng):
    """The same machine and poses with new errors."""
    readings = truth.readings + rng.normal(size=truth.readings.shape) * run.poses.sd
    noise = rng.normal(size=truth.positions.shape) * run.rig.shot_sd
    return replace(run, poses=replace(run.poses, readings=readings),
                   shots=replace(run.shots, position=truth.positions + noise))


@pytest.mark.slow
def test_good_shots_and_readings_are_accused_at_the_stated_rate(rig):
    """60 clean runs: shots beyond their limit at 0.55 %, components and readings at 0.1 %."""
    counts = np.zeros((3, 2))
    for seed in range(60):
        run, _ = simulate(rig, np.random.default_rng(2000 + seed))
        adjustment = solve(run).adjustment
        checks, tests = reliability(adjustment), GroupTests.of(adjustment)
        shots = [tests.test(range(3 * i, 3 * i + 3)).statistic for i in range(len(run.shots))]
        counts[0] += np.sum(np.array(shots) > limit(3)), len(shots)
        for row, w in ((1, checks.observations.w), (2, checks.readings.w[checks.readings.checked])):
            counts[row] += np.sum(np.abs(w) > 3.2905), np.size(w)
    for (accused, total), rate in zip(counts, (0.0055, 0.001, 0.001), strict=True):
        assert abs(accused / total - rate) < 3.5 * np.sqrt(rate / total)


@pytest.mark.slow
def test_three_gross_errors_are_found_and_the_good_left_alone(rig):
    """3 errors of 5-15 cm among 48 shots, 24 runs: 95 % found, at most 2 % of the good accused."""
    found = bad = accused = good = 0
    for seed in range(24):
        run, truth = simulate(rig, np.random.default_rng(3000 + seed), gross_errors=3,
                              stands=1 + seed % 2)
        mask = find_suspects(solve(run)).shot_mask
        wrong = np.isin(run.shots.ids, list(truth.gross))
        found, bad = found + np.sum(mask & wrong), bad + np.sum(wrong)
        accused, good = accused + np.sum(mask & ~wrong), good + np.sum(~wrong)
    assert found / bad >= 0.95
    assert accused / good <= 0.02


def test_a_clean_run_passes_the_gate(rig):
    """What a clean run flags is no further out than chance allows, in 19 of 20 runs or so."""
    runs = (simulate(rig, np.random.default_rng(seed))[0] for seed in range(20))
    assert sum(bool(find_suspects(solve(run)).beyond_chance) for run in runs) <= 3


def test_a_bad_shot_is_told_with_its_miss_and_its_effect(rig):
    """A shot 90 mm too high: named, with the miss, and with what it moves."""
    run, _ = simulate(rig, np.random.default_rng(4))
    suspects = find_suspects(solve(biased(run, 20, [0, 0, 0.09])))
    suspect = suspects.beyond_chance[0]
    assert (suspect.kind, suspect.name) == ("shot", run.shots.ids[20])
    assert suspect.miss == pytest.approx([0, 0, 0.09], abs=0.012)
    says = suspect_says(suspect, suspects.solution)
    assert says.startswith(f"Shot {run.shots.ids[20]} is off by ")
    moved = suspects.solution.parameters - suspects.without.parameters
    i = run.rig.parameter_names.index(suspect.moves)
    sd = suspects.solution.adjustment.sd[i]
    assert suspect.moves_by == pytest.approx(moved[i], abs=0.25 * sd)


def test_a_bad_reading_is_told_from_a_bad_pose(rig):
    """A stick reading 2 deg off is that reading; shots of another pose are that pose."""
    run, _ = simulate(rig, np.random.default_rng(5))
    readings = run.poses.readings.copy()
    readings[6, 3] += np.radians(2)
    turned = replace(run, poses=replace(run.poses, readings=readings))
    suspects = find_suspects(solve(turned))
    assert suspects.beyond_chance[0].name == f"{run.poses.ids[6]}/stick"
    assert np.degrees(suspects.beyond_chance[0].miss[0]) == pytest.approx(2, abs=0.3)

    position = run.shots.position.copy()
    position[run.shots.pose == 9] += np.random.default_rng(0).normal(0, 0.2, (2, 3))
    moved = replace(run, shots=replace(run.shots, position=position))
    suspects = find_suspects(solve(moved))
    assert suspects.beyond_chance[0].name == f"pose:{run.poses.ids[9]}"
    assert set(suspects.aside.shots) == set(np.flatnonzero(run.shots.pose == 9))


def test_without_the_suspects_the_run_is_what_it_was(rig):
    """Setting the suspect aside gives what the run without that shot ever gave."""
    run, _ = simulate(rig, np.random.default_rng(6))
    suspects = find_suspects(solve(biased(run, 3, [0.2, 0, 0])))
    clean = solve(without(run, SetAside(frozenset({3}))))
    np.testing.assert_allclose(suspects.without.parameters, clean.parameters, atol=1e-6)


def test_names_for_setting_aside(rig):
    """Shots by id, poses with pose:, readings with a slash; anything else is refused by name."""
    run, _ = simulate(rig, np.random.default_rng(7), poses=8)
    aside = named(run, ["03-edge_left", "pose:05", "02/tilt"])
    assert aside.shots == {4, 8, 9}
    assert aside.readings == {(1, 5)}
    with pytest.raises(UnknownName, match="99, 02/swing: no such shot"):
        named(run, ["99", "02/swing", "pose:05"])


@pytest.mark.parametrize("off", [0.2, np.pi / 2, 2.5])
def test_a_reading_set_aside_does_not_matter(rig, off):
    """It may say anything, up to half a turn: the result is the same, with one dof less."""
    run, _ = simulate(rig, np.random.default_rng(8))
    whole, results = solve(run), []
    for wrong in (0.0, off):
        readings = run.poses.readings.copy()
        readings[4, 6] += wrong
        changed = replace(run, poses=replace(run.poses, readings=readings))
        results.append(solve(without(changed, SetAside(readings=frozenset({(4, 6)})))))
    sd, free = results[0].adjustment.sd, results[0].adjustment.free
    shift = np.abs(results[0].adjustment.parameters - results[1].adjustment.parameters)
    assert (shift[free] < 2e-3 * sd[free]).all()
    for solution in results:
        assert solution.adjustment.dof == whole.adjustment.dof - 1
        assert 0 <= whole.adjustment.chi2 - solution.adjustment.chi2 < 11
        (replaced,) = replaced_readings(solution)
        assert (replaced.pose, replaced.reading) == (4, 6)
        assert abs(replaced.estimate - run.poses.readings[4, 6]) < 4 * np.hypot(
            replaced.sd, run.poses.sd[4, 6])
        assert "deg, the shots of its pose say " in replaced_says(replaced, run.rig)
    estimates = [np.mod(r.adjusted_readings[4, 6], 2 * np.pi) for r in results]
    assert estimates[0] == pytest.approx(estimates[1], abs=1e-5)


def test_a_shot_of_a_pose_with_a_reading_set_aside_is_predicted_as_well_as_told(rig):
    """Over 40 runs: 20 deg off, set aside, one shot held back: chi2 of its miss is 3 on average.

    Without the covariance that the estimated reading shares with the machine it is not.
    """
    rng, statistics = np.random.default_rng(77), []
    for seed in range(8):
        clean, truth = simulate(rig, np.random.default_rng(7000 + seed), poses=14)
        for pose in (1, 4, 6, 9, 12):
            run = redrawn(clean, truth, rng)
            readings = run.poses.readings.copy()
            readings[pose, 5 + pose % 2] += np.radians(20)
            last = np.flatnonzero(run.shots.pose == pose)[-1]
            keep = np.arange(len(run.shots)) != last
            check = run.shots.select(~keep)
            run = replace(run, poses=replace(run.poses, readings=readings),
                          shots=run.shots.select(keep))
            aside = SetAside(readings=frozenset({(pose, 5 + pose % 2)}))
            checked = check_shots(solve(without(run, aside)), check)
            assert checked.lengths[0] < 0.05
            statistics.append(checked.statistics[0])
    assert np.mean(statistics) == pytest.approx(3, abs=3.5 * np.sqrt(6 / 40))


def test_a_check_shot_that_nothing_predicts_is_left_out_and_named(rig):
    """A check pose without other shots, its reading set aside: no miss of metres, but its name."""
    run, _ = simulate(rig, np.random.default_rng(12), check_poses=2)
    pose = int(run.check.pose[0])
    solution = solve(without(run, SetAside(readings=frozenset({(pose, 6)}))))
    checked = check_shots(solution, run.check)
    assert checked.left_out == (run.poses.ids[pose],)
    assert set(checked.shots.pose) == set(run.check.pose) - {pose}
    assert solution.adjustment.dof == solve(run).adjustment.dof
    (replaced,) = replaced_readings(solution)
    assert replaced_says(replaced, run.rig) == "no other shot of its pose determines it"


def test_misses_of_one_pose_are_told_together(rig):
    """Both shots of a pose held back, reading aside or not: the blocks of the joint covariance
    are those of each, and over 60 runs the chi2 of all six coordinates is 6 on average."""
    rng, statistics = np.random.default_rng(78), []
    for seed in range(6):
        clean, truth = simulate(rig, np.random.default_rng(7100 + seed), poses=14,
                                targets=("edge_left", "edge_mid", "edge_right"))
        for pose in range(0, 10):
            run = redrawn(clean, truth, rng)
            held = np.flatnonzero(run.shots.pose == pose)[:2]
            keep = ~np.isin(np.arange(len(run.shots)), held)
            check, run = run.shots.select(~keep), replace(run, shots=run.shots.select(keep))
            aside = SetAside(readings=frozenset({(pose, 6)} if pose % 2 else ()))
            told = foretold(solve(without(run, aside)), check)
            for i in range(2):
                np.testing.assert_allclose(told.joint[3 * i : 3 * i + 3, 3 * i : 3 * i + 3],
                                           told.covariances[i], rtol=1e-9)
            misses = (check.position - told.position).ravel()
            statistics.append(misses @ np.linalg.solve(told.joint, misses))
    assert np.mean(statistics) == pytest.approx(6, abs=3.5 * np.sqrt(12 / 60))


def taped_off(run, quantity, sds):
    row = run.tape.quantities.index(quantity)
    value = run.tape.value.copy()
    value[row] += sds * run.tape.sd[row]
    return replace(run, tape=replace(run.tape, value=value))


@pytest.mark.parametrize("quantity", ["boom_length", "stick_length"])
def test_a_wrong_taped_value_is_the_suspect(rig, quantity):
    """Taped 10 sds wrong: named with its miss, not an innocent reading, and set aside."""
    run, _ = simulate(rig, np.random.default_rng(21))
    suspects = find_suspects(solve(taped_off(run, quantity, 10)))
    assert [s.name for s in suspects.beyond_chance] == [f"tape:{quantity}"]
    suspect = suspects.beyond_chance[0]
    row = run.tape.quantities.index(quantity)
    assert suspect.kind == "tape"
    assert suspect.miss == pytest.approx([10 * run.tape.sd[row]], rel=0.35)
    assert suspect_says(suspect, suspects.solution).startswith(
        f"The taped {quantity.replace('_', ' ')} is off by +")
    assert suspects.chance < 1e-6
    assert quantity not in suspects.without.run.tape.quantities
    by_name = solve(without(run, named(run, [f"tape:{quantity}"])))
    np.testing.assert_allclose(suspects.without.parameters, by_name.parameters, atol=1e-6)


def test_a_wrong_taped_value_fails_the_gate(rig):
    """Tape of the boom 10 cm wrong: the run does not pass, and the gate names the tape."""
    run, _ = simulate(rig, np.random.default_rng(22))
    row = run.tape.quantities.index("boom_length")
    judgement = judge(solve(taped_off(run, "boom_length", 0.10 / run.tape.sd[row])))
    gate = next(g for g in judgement.gates if g.name == "suspects")
    assert not gate.passed and not judgement.passed
    assert "Suspect: taped boom length." in gate_says(gate, judgement)


def test_a_wrong_known_point_is_the_suspect(rig):
    """Of five points sighted by a free set-up one lies 60 mm beside its coordinates: that one."""
    run, _ = simulate(rig, np.random.default_rng(41))
    rng, centre = np.random.default_rng(42), run.shots.position.mean(0)
    known = centre + rng.uniform(-30, 30, (5, 3)) * [1, 1, 0.1]
    set_ups = SetUps(
        ids=("A",), position=centre[None] + [12.0, 9.0, 1.0], orientation=np.zeros(1),
        sd=np.full((1, 4), np.nan), sight_setup=np.zeros(5, int),
        sight_point=tuple(f"K{i}" for i in range(1, 6)),
        sight=known + 0.002 * rng.normal(size=(5, 3)),
        sight_covariance=np.tile(4e-6 * np.eye(3), (5, 1, 1)),
        known=known + np.array([0.06, 0, 0]) * (np.arange(5) == 3)[:, None],
        known_sd=np.zeros((5, 3)))
    run = replace(run, set_ups=set_ups,
                  shots=replace(run.shots, setup=np.zeros(len(run.shots), int)))
    suspects = find_suspects(solve(run))
    assert [s.name for s in suspects.beyond_chance] == ["sight:A/K4"]
    assert suspects.found[0].miss == pytest.approx([-0.06, 0, 0], abs=0.012)
    assert suspects.without.run.set_ups.sight_point == ("K1", "K2", "K3", "K5")
    by_name = named(run, ["sight:A/K4"])
    assert by_name.sights == {("A", "K4")}
    assert suspects.without.adjustment.dof == suspects.solution.adjustment.dof - 3


def test_exchanged_corners_are_no_slip_of_the_tape(rig):
    """All corners exchanged: the rest puts edge_width below zero. The tape is not blamed."""
    run, _ = simulate(rig, np.random.default_rng(43), poses=14)
    names = run.rig.target_names
    left, right = names.index("edge_left"), names.index("edge_right")
    other = np.where(run.shots.target == left, right, left)
    suspects = find_suspects(solve(replace(run, shots=replace(run.shots, target=other))))
    assert "tape:edge_width" not in {s.name for s in suspects.found}
    assert "tape:edge_width" in suspects.remaining
    assert "a mistake about the whole run" in too_many_says(suspects.remaining, rig.reading_names)


def test_a_held_taped_value_cannot_be_set_aside(rig):
    """It adds no observation: setting it aside would quietly hold it at something else."""
    held = rig_from_dict({**STANDARD, "hold": ["boom_length"]})
    run, _ = simulate(rig, np.random.default_rng(21))
    with pytest.raises(UnknownName, match="tape:boom_length"):
        named(replace(run, rig=held), ["tape:boom_length"])
    assert named(run, ["tape:boom_length"]).tape == {"boom_length"}


def test_chance_of_a_clean_run_is_a_p_value(rig):
    """Of 60 clean runs with other geometries few have a chance below 5 %, half below a half."""
    chances = np.array([
        find_suspects(solve(simulate(rig, np.random.default_rng(8000 + seed), poses=10 + seed % 9,
                                     taped=seed % 3 > 0)[0])).chance for seed in range(60)])
    assert np.sum(chances < 0.05) <= 8
    assert 15 <= np.sum(chances < 0.5) <= 40


def test_a_rest_that_does_not_converge_discards_nothing(rig, monkeypatch):
    """Solving without the suspects fails: what had converged stays, with nothing set aside."""
    run, _ = simulate(rig, np.random.default_rng(4))
    suspects = find_suspects(solve(biased(run, 20, [0, 0, 0.09])))

    def refuse(*_):
        raise NotConverged("made not to")

    monkeypatch.setattr("calib.judge.fits.solve", refuse)
    assert suspects.without is suspects.solution
    assert suspects.aside == SetAside()
    assert suspects.beyond_chance


def test_shots_readings_and_tape_together(rig):
    """Three shots, two readings and a taped value are out at once: those and no others."""
    run, _ = simulate(rig, np.random.default_rng(33))
    position, readings = run.shots.position.copy(), run.poses.readings.copy()
    for shot, bias in ((3, [0.1, 0, 0]), (22, [0, 0, -0.07]), (40, [0, 0.2, 0.1])):
        position[shot] += bias
    readings[15, 5] += np.radians(3)
    readings[17, 3] -= np.radians(12)
    run = taped_off(replace(run, shots=replace(run.shots, position=position),
                            poses=replace(run.poses, readings=readings)), "edge_width", 12)
    suspects = find_suspects(solve(run))
    assert {s.name for s in suspects.beyond_chance} == {
        *(run.shots.ids[i] for i in (3, 22, 40)), f"{run.poses.ids[15]}/tilt",
        f"{run.poses.ids[17]}/stick", "tape:edge_width"}
    assert suspects.without.adjustment.variance_factor < 1.4


def test_many_bad_shots_are_found_robustly(rig):
    """Twelve of 48 shots off by 8-20 cm: all found, hardly a good one with them."""
    run, truth = simulate(rig, np.random.default_rng(9), gross_errors=12, gross_size=(0.08, 0.2))
    suspects = find_suspects(solve(run))
    names = {s.name for s in suspects.found}
    assert not suspects.remaining
    assert names >= set(truth.gross)
    assert len(names) <= 13
    assert suspects.without.adjustment.variance_factor < 1.4
    worst = suspects.found[0]
    assert worst.miss == pytest.approx(truth.gross[worst.name], abs=0.03)


def test_what_chance_allows_is_set_aside_by_nobody(rig):
    """Two shots flagged, neither beyond chance: the run without its suspects is the whole run."""
    run, _ = simulate(rig, np.random.default_rng(4))
    suspects = find_suspects(solve(run))
    assert len(suspects.within_chance) == 2 and not suspects.beyond_chance
    assert suspects.aside == SetAside()
    assert suspects.without is suspects.solution
    chosen = solve_as_chosen(run, SUSPECTS)
    assert (chosen.aside, chosen.because, chosen.whole) == (SetAside(), (), None)
    assert len(chosen.solution.run.shots) == len(run.shots)


def test_many_wrong_readings_are_found_and_named(rig):
    """One reading in each of fifteen of 300 poses, 2 to 8 deg off: named, and hardly another."""
    rng = np.random.default_rng(11)
    run, _ = simulate(rig, rng, poses=300, stands=2)
    poses, columns = rng.choice(300, 15, replace=False), rng.integers(0, 7, 15)
    readings = run.poses.readings.copy()
    readings[poses, columns] += np.radians(rng.uniform(2, 8, 15)) * rng.choice([-1, 1], 15)
    run = replace(run, poses=replace(run.poses, readings=readings))
    planted = {f"{run.poses.ids[p]}/{rig.reading_names[c]}"
               for p, c in zip(poses, columns, strict=True)}
    named = {s.name for s in find_suspects(solve(run)).found}
    assert len(named & planted) >= 13 and len(named - planted) <= 1
