"""Marks in runs: their places, the antennas' line, and what they do to the rest of the machine."""

from dataclasses import replace

import numpy as np
import pytest

from calib.calibration import solve
from calib.chain.derived import derived_values
from calib.chain.rig import rig_from_dict
from calib.judge.plausible import plausibility
from calib.report.words.plausible import plausible_says
from calib.run.records import Tape
from calib.run.tape import with_known_places
from calib.simulate import simulate
from calib.uncertain import derived

SDS = {
    "shots": {"sd": {"horizontal": 0.002, "vertical": 0.002}},
    "readings": {"sd": {"house_pitch": 0.03, "house_roll": 0.03, "boom": 0.05, "stick": 0.05,
                        "coupler": 0.05, "tilt": 0.06, "rotate": 0.1}},
}
MARKS = {"left_antenna": {"on": "house", "near": [-1.6, 0.9, 1.7]},
         "right_antenna": {"on": "house", "near": [-1.5, -0.9, 1.7]},
         "dot": {"on": "stick", "near": [1.0, 0.2, 0.3]}}
LINE = {"antenna_line": {"measure": "bearing", "start": "right_antenna", "end": "left_antenna",
                         "means": "line of the antennas, from the boom plane"}}
RIG = rig_from_dict({"template": "tilt_rotator", **SDS, "marks": MARKS, "derived": LINE})
TARGETS = ("edge_left", "edge_right", "left_antenna", "right_antenna", "dot")


def marked_run(seed, poses=14):
    """Edge corners in every pose, marks in the first three."""
    run, truth = simulate(RIG, np.random.default_rng(seed), poses=poses, targets=TARGETS,
                          taped=False)
    edge = np.isin(run.shots.target, RIG.edge_targets)
    return replace(run, shots=run.shots.select(edge | (run.shots.pose < 3))), truth


def test_places_and_the_antennas_line_are_within_their_sds():
    """60 machines: standardised errors of nine coordinates and the bearing have sd 1."""
    coordinates, bearings = [], []
    rows = [i for i, n in enumerate(RIG.parameter_names) if n.startswith((*MARKS,))]
    line = [d.name for d in RIG.derived].index("antenna_line")
    for seed in range(60):
        run, truth = marked_run(seed)
        solution = solve(run)
        sd = np.sqrt(np.diag(solution.covariance))
        assert {solution.status[i] for i in rows} == {"estimated"}
        coordinates.append((solution.parameters - truth.parameters)[rows] / sd[rows])
        bearing = derived(solution)["antenna_line"]
        exact = derived_values(RIG, truth.parameters)[0][line]
        bearings.append((bearing.nominal_value - exact) / bearing.std_dev)
        assert np.degrees(bearing.std_dev) < 0.2
    assert np.std(coordinates) == pytest.approx(1, abs=0.15)
    assert np.std(bearings) == pytest.approx(1, abs=0.25)


def test_a_mark_shot_once_changes_nothing_else():
    """Three coordinates for three unknowns."""
    run, _ = marked_run(1)
    edge = run.shots.select(np.isin(run.shots.target, RIG.edge_targets))
    once = np.isin(run.shots.target, RIG.edge_targets)
    once[np.flatnonzero(~once)[-1]] = True
    with_it, alone = solve(replace(run, shots=run.shots.select(once))), solve(
        replace(run, shots=edge))
    rest = [i for i, n in enumerate(RIG.parameter_names) if not n.startswith((*MARKS,))]
    np.testing.assert_allclose(with_it.parameters[rest], alone.parameters[rest], atol=1e-5)
    np.testing.assert_allclose(with_it.covariance[np.ix_(rest, rest)],
                               alone.covariance[np.ix_(rest, rest)], rtol=1e-2, atol=1e-9)


def test_what_is_known_of_a_mark_counts_as_taped():
    """Once: a row of tape.csv goes before it; and not for a mark that nobody shoots."""
    near = {**MARKS, "dot": {**MARKS["dot"], "sd": 0.001}}
    rig = rig_from_dict({"template": "tilt_rotator", **SDS, "marks": near})
    assert with_known_places(Tape.none(), rig).quantities == ()
    shot = rig.when_shot([rig.target_names.index("dot")])
    known = with_known_places(Tape.none(), shot)
    assert known.quantities == ("dot_ahead", "dot_left", "dot_above")
    assert with_known_places(known, shot).quantities == known.quantities
    run, _ = marked_run(2)
    run = replace(run, rig=rig)
    i = rig.parameter_names.index("dot_left")
    assert solve(replace(run, tape=known)).covariance[i, i] < 0.9 * solve(run).covariance[i, i]


@pytest.mark.parametrize("turn", [0, 1, -1])
def test_a_taped_bearing_is_taken_the_short_way_round(turn):
    run, truth = marked_run(3)
    exact = derived_values(RIG, truth.parameters)[0][-1]
    tape = Tape(("antenna_line",), np.array([exact + turn * 2 * np.pi]),
                np.array([np.radians(0.05)]), ("deg",), (2,))
    solution = solve(replace(run, tape=tape))
    assert solution.adjustment.variance_factor < 1.6
    assert np.degrees(derived(solution)["antenna_line"].std_dev) < 0.05


def test_a_pitched_stand_leaves_two_places_for_a_mark_on_the_house():
    """The sign of the house's pitch moves nothing else: said, with the tape that tells."""
    run, truth = marked_run(17)
    assert np.degrees(run.poses.readings[:, 0].mean()) > 1.5
    found = plausibility(solve(run))
    assert not found.passed
    assert "sign of the reading house pitch reversed" in plausible_says(found)
    (name,) = found.would_tell
    assert name.startswith(("left_antenna", "right_antenna"))
    exact = truth.parameters[RIG.parameter_names.index(name)]
    tape = Tape((name,), np.array([exact + 0.008]), np.array([0.01]), ("m",), (2,))
    taped = plausibility(solve(replace(run, tape=tape)))
    assert taped.passed, plausible_says(taped)
