"""Runs that shoot pins: their parameters are estimated, and the rest is known better."""

from dataclasses import replace

import numpy as np
import pytest

from calib.calibration import solve
from calib.chain.rig import rig_from_dict
from calib.judge.hold_out import hold_out
from calib.judge.set_aside import named, without
from calib.run.records import Tape
from calib.simulate import simulate

RIG = rig_from_dict({
    "template": "tilt_rotator",
    "shots": {"sd": {"horizontal": 0.002, "vertical": 0.002}},
    "readings": {"sd": {"house_pitch": 0.03, "house_roll": 0.03, "boom": 0.05, "stick": 0.05,
                        "coupler": 0.05, "tilt": 0.06, "rotate": 0.1}},
})
TARGETS = ("edge_left", "edge_right", "stick_pin", "boom_foot_left", "boom_foot_right")


def run_with_pins(seed, poses=14, taped=False):
    """Edge corners in every pose, the stick pin in three, both ends of the foot pin in one."""
    run, truth = simulate(RIG, np.random.default_rng(seed), poses=poses, targets=TARGETS,
                          taped=taped)
    name = np.array(RIG.target_names)[run.shots.target]
    keep = (np.char.startswith(name, "edge") | ((name == "stick_pin") & (run.shots.pose < 3))
            | (np.char.startswith(name, "boom_foot") & (run.shots.pose == 4)))
    return replace(run, shots=run.shots.select(keep)), truth


def test_pins_are_estimated_where_they_are_shot():
    """Of 40 machines without a tape: truth within the stated sds, nothing else held or freed."""
    misses = []
    for seed in range(40):
        run, truth = run_with_pins(seed)
        solution = solve(run)
        status = dict(zip(RIG.parameter_names, solution.status, strict=True))
        assert status["boom_foot_width"] == status["stick_pin_side"] == "estimated"
        assert status["bucket_pin_side"] == "held"
        rows = [RIG.parameter_names.index(n) for n in ("boom_foot_width", "stick_pin_side")]
        sd = np.sqrt(np.diag(solution.covariance))[rows]
        assert (sd < 0.01).all()
        misses.append((solution.parameters - truth.parameters)[rows] / sd)
    assert np.std(misses) == pytest.approx(1, abs=0.25)


def test_a_taped_pin_has_its_tape_as_prior():
    run, _ = run_with_pins(1, taped=True)
    assert {"boom_foot_width", "stick_pin_side"} <= set(run.tape.quantities)
    assert "bucket_pin_side" not in run.tape.quantities
    i = RIG.parameter_names.index("stick_pin_side")
    with_tape, alone = solve(run), solve(replace(run, tape=Tape.none()))
    assert with_tape.covariance[i, i] < min(0.003**2, alone.covariance[i, i])


def test_setting_the_shots_of_a_pin_aside_holds_it_again():
    """Instead of an unknown that nothing determines."""
    run, _ = run_with_pins(2)
    pins = [shot for shot in run.shots.ids if "boom_foot" in shot]
    rest = without(run, named(run, pins))
    solution = solve(rest)
    assert dict(zip(RIG.parameter_names, solution.status, strict=True))["boom_foot_width"] == "held"
    assert "boom_foot_width" not in rest.rig.definition["free"]


def test_a_pose_that_alone_tells_of_a_pin_is_not_held_out():
    """Without it the pin's place would be a guess; all other poses are held out and fit."""
    run, _ = run_with_pins(3)
    held = hold_out(solve(run), most_folds=7)
    assert held.missing == ("05",)
    assert "05" not in {run.poses.ids[p] for p in held.checked.shots.pose}
    assert held.dof == 3 * len(held.checked.shots)
    assert held.chance > 0.001
    assert np.abs(held.standardised).max() < 5
