"""Whether sharing was justified: how often clean runs fail, and what is named where one does."""

from dataclasses import replace

import numpy as np
import pytest

from calib.judge.drift import SURVEY_SCALE
from calib.together.adjusted import solve_together
from calib.together.series import series
from calib.together.sharing import sharing
from tests.together.family import family

DEG = np.radians(1.0)


def verdict(rig, seed, **more):
    runs, visits, _ = family(rig, seed, **more)
    return sharing(solve_together(runs, visits))


@pytest.mark.slow
def test_clean_runs_fail_as_often_as_the_level_says(rig):
    """Of 200 fresh machines 5 % +- 3 of its sds, and the chances are uniform."""
    chances = np.array([verdict(rig, 20_000 + seed).p_value for seed in range(200)])
    assert 0 < np.mean(chances < 0.05) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 200)
    ordered = np.sort(chances)
    distance = np.abs(ordered - (np.arange(200) + 0.5) / 200).max()
    assert distance < 1.63 / np.sqrt(200)  # Kolmogorov's limit at 1 %


@pytest.mark.slow
@pytest.mark.parametrize(("name", "by", "least"), [
    ("coupler_zero", 0.25 * DEG, 0.8), ("tilt_zero", 0.25 * DEG, 0.8),
    ("rotate_zero", 0.4 * DEG, 0.9), ("stick_length", 0.012, 0.7),
    ("rotation_axis_side", 0.025, 0.7)])
def test_what_changed_is_found_and_named(rig, name, by, least):
    """From the third run on: first of what is named, or among what explains as much."""
    hits = 0
    for seed in range(40):
        found = verdict(rig, 30_000 + seed, changed={2: {name: by}, 3: {name: by}}).found
        if found:
            named = [found[0].split, *found[0].alternatives]
            hits += any(s.name == name and s.runs in ((2, 3), (0, 1)) for s in named)
    assert hits >= least * 40


def test_a_sensor_mounted_anew(rig):
    """Its zero is named, from that run on, with the change; split, the test passes."""
    runs, visits, _ = family(rig, 7, changed={2: {"coupler_zero": 0.4 * DEG},
                                              3: {"coupler_zero": 0.4 * DEG}})
    test = sharing(solve_together(runs, visits))
    assert not test.justified and test.explained
    (found,) = test.found
    assert (found.split.name, found.split.kind, found.split.where, found.split.runs) == (
        "coupler_zero", "since", "run2", (2, 3))
    assert found.change == pytest.approx(0.4 * DEG, abs=4 * found.sd)
    visits[2] = replace(visits[2], remounted=("coupler",))
    assert sharing(solve_together(runs, visits)).justified


def test_an_attachment_on_another_length(rig):
    """What differs with one attachment is named with it, or as one that these shots take for it."""
    runs, visits, _ = family(rig, 9, changed={1: {"rotate_zero": 0.6 * DEG},
                                              3: {"rotate_zero": 0.6 * DEG}})
    test = sharing(solve_together(runs, visits))
    assert test.found[0].split.name == "rotate_zero"
    assert test.found[0].split.kind == "attachment" and test.found[0].split.runs in (
        (0, 2), (1, 3))
    assert sharing(solve_together(runs, visits, {"rotate_zero": "attachment"})).justified


def test_a_survey_with_another_scale(rig):
    """All lengths of one run by the same share: its survey, not many lengths at once."""
    runs, visits, _ = family(rig, 21, poses=20)
    shots = runs[1].shots
    runs[1] = replace(runs[1], shots=replace(shots, position=shots.position * 1.006))
    found = sharing(solve_together(runs, visits)).found[0]
    named = [found.split, *found.alternatives]
    assert any(s.name == SURVEY_SCALE and s.runs == (1,) for s in named)


def test_series_show_what_moved(rig):
    """A quantity run by run, all else shared: steps where it was changed, with sds that hold."""
    runs, visits, base = family(rig, 7, changed={2: {"coupler_zero": 0.4 * DEG},
                                                 3: {"coupler_zero": 0.4 * DEG}})
    together = solve_together(runs, visits)
    name = together.joint.layout.names.index("coupler_zero")
    (one,) = [s for s in series(together) if s.column == name]
    truth = base[rig.parameter_names.index("coupler_zero")] + np.array([0, 0, 0.4, 0.4]) * DEG
    assert one.runs == (0, 1, 2, 3)
    assert (np.abs(one.value - truth) < 4 * one.sd).all()
    assert (one.sd > together.adjustment.sd[name]).all()
    shared = {s.column for s in series(together)}
    assert together.joint.layout.names.index("edge_reach of attachment digging") in shared


def test_a_quantity_by_the_day_is_its_series(rig):
    """Released per day in the adjustment itself, the values and sds of the series come out."""
    runs, visits, _ = family(rig, 8)
    together = solve_together(runs, visits)
    name = together.joint.layout.names.index("tilt_zero")
    (one,) = [s for s in series(together) if s.column == name]
    split = solve_together(runs, visits, {"tilt_zero": "day"})
    columns = [split.joint.layout.names.index(f"tilt_zero of day day{k}") for k in range(4)]
    # Its tape counts with the first run; by the day it is of another unknown every day.
    np.testing.assert_allclose(one.sd, split.adjustment.sd[columns], rtol=0.02)
    off = np.abs(one.value - split.adjustment.parameters[columns]) / one.sd
    assert off[0] < 0.01 and off.max() < 0.4
