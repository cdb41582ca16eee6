"""Plans of rigs that swing, lag, have play and strokes: their poses tell of these, in words."""

import numpy as np
import pytest

from calib.calibration import solve
from calib.chain.rig import rig_from_dict
from calib.plan.plan import make_plan
from calib.plan.rehearsal import rehearsed
from calib.plan.sight import Site, ahead, eyes, placed, seen_targets
from calib.plan.task import Task, prepare
from calib.report.plan_record import plan_document, plan_table
from calib.report.pose_sheet import sections_of, sheet_of
from calib.simulate import drawn_parameters
from tests.conftest import STANDARD

#: All at once. Invented.
EVERYTHING = {
    **STANDARD, "effects": ["stick_hysteresis", "stick_pin_play"],
    "readings": {"sd": {**STANDARD["readings"]["sd"], "boom": 0.0005, "slew": 0.05}},
    "parameters": {
        "boom_closed": {"unit": "m", "start": 1.65, "tape_sd": 0.005, "means": "cylinder, closed"},
        "boom_near": {"unit": "m", "start": 0.75, "tape_sd": 0.005, "means": "to the house's pin"},
        "boom_far": {"unit": "m", "start": 2.3, "tape_sd": 0.005, "means": "to the boom's pin"},
        "boom_lift": {"unit": "deg", "start": -34.0, "tape_sd": 1.0, "means": "of the house's pin"},
        "swing_ahead": {"unit": "m", "start": 0.2, "means": "boom foot pin ahead of the axis"}},
    "sensors": {
        "boom": {"kind": "stroke", "zero": "boom_closed", "through": "triangle", "branch": 1,
                 "uses": {"near": "boom_near", "far": "boom_far", "near_angle": "boom_lift"}},
        "slew": {"kind": "slew", "uses": {"pitch": "house_pitch", "roll": "house_roll"},
                 "means": "house turned on its tracks"}},
    "motions": [{"rotate": "z", "joint": "slew", "after": "stand"},
                {"translate": "x", "by": {"swing_ahead": 1}, "at": "house"}],
    "limits": {"boom": [-15, 55], "slew": [-90, 90]}}


@pytest.fixture(scope="module")
def plan():
    """16 poses at one stand."""
    return make_plan(prepare(Task.for_rig(rig_from_dict(EVERYTHING), count=2000)), poses=16)


def test_the_poses_tell_of_everything(plan):
    """Every way of approach and load, the house swung; the ground only where the edge is low."""
    rig = plan.prepared.task.rig
    assert not plan.undetermined
    slew = np.degrees(plan.joints[:, rig.reading_names.index("slew")])
    assert np.ptp(slew) > 90
    assert {tuple(pair) for pair in plan.noted} == {(a, b) for a in (-1, 1) for b in (-1, 1)}
    document = plan_document(plan, "nothing")
    for pose in document.poses:
        assert pose.noted["approach"] in ("up", "down")
        if pose.noted["load"] == "resting":
            assert pose.edge_height[0] < 0.35


def test_it_is_told_in_words(plan):
    """Units of columns, what is noted beside the pose, and how it is come to."""
    document = plan_document(plan, "nothing")
    sheet, how = sheet_of(document), str(sections_of(document)[1].blocks)
    assert "boom, m" in sheet.readings and "slew, deg" in sheet.readings
    rows = [row for page in sheet.pages for row in page]
    assert {row["book"][1] for row in rows} == {"approach up", "approach down"}
    boom = list(document.poses[0].readings).index("boom")
    assert all(0 < float(row["cells"][boom]["target"]) < 1.4 for row in rows)
    for words in ("house is swung as the sheet says", "column load of readings.csv",
                  "Resting: bring the edge down", "within the swing"):
        assert words in how
    assert {"approach", "load", "slew", "boom"} <= set(plan_table(document)[0])


def test_the_run_that_it_gives_is_solved(plan):
    """Swing axis, lag, play and triangle within five sds of the truth."""
    rig = plan.prepared.task.rig
    rng = np.random.default_rng(5)
    truth = rig.start + 0.25 * (drawn_parameters(rig, rng) - rig.start)
    run, truth = rehearsed(plan, rng, parameters=truth)
    solution = solve(run)
    sd = np.sqrt(np.diag(solution.covariance))
    told = sd > 0
    assert np.abs((solution.parameters - truth.parameters)[told] / sd[told]).max() < 5
    assert sd[rig.parameter_names.index("swing_ahead")] < 0.005


def test_lines_of_sight_turn_with_the_house():
    """Swung by 60 deg to an instrument at 60 deg, the house sees it straight ahead."""
    rig, site = rig_from_dict(EVERYTHING), Site(instrument=(4.8, 8.66, 0.0))
    joints = np.zeros((2, len(rig.readings)))
    joints[:, rig.reading_names.index("stick")] = np.radians(-90)
    joints[1, rig.reading_names.index("slew")] = np.radians(60)
    posture = ahead(rig, rig.start, joints)
    eye = eyes(rig, posture, joints, site)
    np.testing.assert_allclose(eye[0], site.instrument, atol=1e-12)
    # The boom foot pin is 0.2 m ahead of the swing axis, that turns about it.
    np.testing.assert_allclose(eye[1], [10 - 0.2 + 0.0, 0, 0], atol=0.01)
    targets = list(rig.edge_targets)
    np.testing.assert_allclose(*placed(posture, targets), atol=1e-12)
    assert seen_targets(rig, posture, joints, targets, site).shape == (2, len(targets))
