"""A rig file that adds to a template: motions, parameters, sensors, targets, derived quantities."""

import numpy as np
import pytest

from calib.chain.rig import rig_from_dict, rig_from_template
from calib.chain.schema import RigError
from calib.run.complaints import InputError
from calib.run.folder import rig_from_text

LEAN = {"boom_lean": {"unit": "deg", "start": 0.5, "least": -5, "most": 5, "means": "boom leaning"}}
EXTENSION = {
    "motions": [
        {"rotate": "x", "by": {"boom_lean": 1}, "before": "boom"},
        {"translate": "y", "by": {"plate_side": 1}, "after": "stick_end"},
        {"translate": "z", "by": {"plate_drop": -1}, "after": "stick_end", "frame": "plate"},
        {"rotate": "z", "joint": "plate_turn", "after": "plate", "frame": "turned_plate"},
    ],
    "parameters": {
        **LEAN,
        "plate_side": {"unit": "m", "start": 0.1, "means": "stick left to the plate"},
        "plate_drop": {"unit": "m", "start": 0.2, "means": "stick down to the plate"},
        "plate_zero": {"unit": "deg", "start": 0.0, "held": True, "means": "added to the reading"},
    },
    "sensors": {"plate_turn": {"kind": "joint", "zero": "plate_zero", "means": "plate turned"}},
    "targets": {"plate_bolt": {"frame": "turned_plate", "means": "bolt on the plate"}},
    "derived": {"bolt_below_pin": {"measure": "above", "start": "plate_bolt", "end": "stick_end",
                                   "means": "bucket pin down to the bolt"}},
}


def extended(**more):
    return rig_from_dict({"template": "tilt_rotator", **EXTENSION} | more)


def problems(**data):
    with pytest.raises(RigError) as refused:
        rig_from_dict({"template": "tilt_rotator"} | data)
    return refused.value.problems


def test_motions_go_where_they_are_said_to():
    base, rig = rig_from_template("tilt_rotator"), extended()
    motions = list(rig.chain.motions)
    added = [next(i for i, m in enumerate(motions) if key in (*m.by, m.joint))
             for key in ("boom_lean", "plate_side", "plate_drop", "plate_turn")]
    assert [m for i, m in enumerate(motions) if i not in added] == list(base.chain.motions)
    assert motions[added[0] + 1].frame == "boom"
    assert [m.frame for m in motions[added[1] - 1 : added[3] + 1]] == [
        "stick_end", None, "plate", "turned_plate"]


def test_the_whole_works(draw, assert_derivatives):
    """Places as computed by hand, derivatives by differences, the definition makes it again."""
    rig = extended()
    assert rig_from_dict(rig.definition).chain.motions == rig.chain.motions
    assert rig.reading_names[-1] == "plate_turn" and rig.derived[-1].name == "bolt_below_pin"
    joints = np.zeros((1, len(rig.readings)))
    posture = rig.chain.posture(rig.start, np.array([[0, 0, 0, np.pi / 2]]),
                                rig.chain.readings_for(rig.start, joints))
    bolt = posture.points(np.array([rig.target_names.index("plate_bolt")]), np.array([0]))
    lean = np.radians(0.5)
    across = np.array([[np.cos(lean), -np.sin(lean)], [np.sin(lean), np.cos(lean)]]) @ [0.1, -0.2]
    np.testing.assert_allclose(bolt.position[0], [8.6, *across], atol=1e-12)
    case = draw(rig, 3)
    assert_derivatives(case.chain, case.parameters, case.placement, case.readings,
                       *case.every_target_in_every_pose())


def test_a_sensor_may_be_of_another_kind():
    """The stick with an encoder in place of the inclinometer."""
    rig = rig_from_dict({"template": "tilt_rotator", "sensors": {
        "stick": {"kind": "joint", "zero": "stick_zero", "means": "stick against boom"}}})
    assert {r.name: r.kind for r in rig.readings}["stick"] == "joint"


@pytest.mark.parametrize(("change", "key", "found", "expected"), [
    ({"motions": [{"rotate": "x", "by": {"boom_zero": 1}, "before": "bom"}]},
     "motions.0.before.bom", "'bom'", "a frame: one of stand, house, boom"),
    ({"motions": [{"rotate": "x", "before": "boom", "after": "house"}]},
     "motions.0", "before and after", 'one of "before", "after" or "at"'),
    ({"motions": [{"rotate": "x", "before": "boom", "frame": "stick"}]},
     "motions.0.frame", "'stick'", "a name used once"),
    ({"motions": [{"rotate": "x", "before": "boom", "by": {"boom_leen": 1}}]},
     "motions.0.by.boom_leen", "'boom_leen'", "a parameter: one of"),
    ({"motions": [{"rotate": "x", "before": "boom", "joint": "turn"}]},
     "motions.0.joint.turn", "'turn'", "a sensor: one of"),
    ({"motions": [{"rotate": "x", "before": "boom", "joint": "boom"}]},
     "motions.0", "rotate x, sense 1", "rotate y, sense -1"),
    ({"parameters": {"boom_length": {"unit": "m", "start": 1.0, "means": "mine"}}},
     "parameters.boom_length", "'boom_length'", "a name that the template does not have"),
    ({"parameters": LEAN}, "parameters.boom_lean", "in no motion and no sensor",
     "a parameter that something depends on"),
    ({"sensors": {"stick": {"kind": "across", "means": "x"}}},
     "sensors.stick", "rotate y, sense -1", "rotate x, sense 1"),
    ({"sensors": {"turn": {"kind": "joint", "means": "x"}}},
     "sensors.turn", "in 0 motions", "exactly one motion"),
])
def test_faults(change, key, found, expected):
    first = problems(**change)[0]
    assert first[:2] == (key, found)
    assert expected in first[2]


TEXT = """template = "tilt_rotator"

motions = [
  { rotate = "x", by = { boom_lean = 1 }, before = "boom" },
  { rotate = "z", by = { boom_leen = 1 }, after = "stik" },
]

[parameters]
boom_lean = { unit = "deg", start = 0.0, means = "boom leaning left" }
stick_length = { unit = "m", start = 3.0, means = "mine" }

[marks.dot]
on = "hause"

[targets.bolt]
frame = "platte"
means = "bolt"
"""


def test_complaints_name_the_line():
    """Every one at once, each at the line that it is about."""
    with pytest.raises(InputError) as refused:
        rig_from_text(TEXT)
    assert {(c.line, c.column, c.found) for c in refused.value.complaints} == {
        (5, "motions.1.after.stik", "'stik'"),
        (5, "motions.1.by.boom_leen", "'boom_leen'"),
        (10, "parameters.stick_length", "'stick_length'"),
        (13, "marks.dot.on", "'hause'"),
        (16, "targets.bolt.frame.platte", "'platte'"),
    }
