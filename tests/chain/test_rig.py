"""Rigs from data: every fault in its own words, overrides, and what is built."""

import copy

import numpy as np
import pytest

from calib.chain.rig import rig_from_dict, rig_from_template, template_names
from calib.chain.schema import RigError

OWN = {
    "name": "own", "title": "One arm and a bucket",
    "parameters": {
        "arm": {"unit": "m", "start": 3.0, "tape_sd": 0.01, "means": "pin to pin"},
        "arm_zero": {"unit": "deg", "start": 0.0, "held": True, "means": "added to the reading"},
    },
    "sensors": {
        "arm_angle": {"kind": "in_boom_plane", "zero": "arm_zero", "means": "arm up"},
        "side": {"kind": "across", "means": "left side up"},
    },
    "motions": [
        {"rotate": "y", "joint": "arm_angle", "sense": -1},
        {"translate": "x", "by": {"arm": 1}, "frame": "arm_end"},
        {"rotate": "x", "joint": "side", "frame": "bucket"},
    ],
    "targets": {"edge": {"frame": "bucket", "means": "edge",
                         "motions": [{"translate": "z", "plus": -0.5}]}},
    "derived": {"length": {"measure": "distance", "start": "arm_end", "end": "edge",
                           "means": "end to edge"}},
    "limits": {"side": [-10, 10]},
    "envelope": {"target": "edge", "sweep": {"side": [-10, 10, 3]},
                 "reaches": [{"name": "one", "joints": {"arm_angle": 20}}]},
}


def changed(path, value):
    """The rig above with one value replaced, added, or removed (None)."""
    data = copy.deepcopy(OWN)
    *way, last = path.split(".")
    place = data
    for key in way:
        place = place[int(key)] if isinstance(place, list) else place.setdefault(key, {})
    if value is None:
        del place[last]
    elif isinstance(place, list):
        place[int(last)] = value
    else:
        place[last] = value
    return data


def problems(data):
    """What is wrong, as (key, found, expected)."""
    with pytest.raises(RigError) as refused:
        rig_from_dict(data)
    return refused.value.problems


def test_the_rig_of_these_tests_is_sound():
    """What the other tests break is whole."""
    rig = rig_from_dict(OWN)
    assert rig.parameter_names == ("arm", "arm_zero")
    assert rig.reading_names == ("arm_angle", "side")
    assert rig.target_names == ("edge",)


NUMBER_FAULTS = [
    ("parameters.arm.start", "3.0", "'3.0'", "a number"),
    ("parameters.arm.start", True, "True", "a number"),
    ("parameters.arm.start", np.nan, "nan", "a finite number"),
    ("parameters.arm.tape_sd", 0, "0", "a number above 0"),
    ("parameters.arm.tape_sd", -0.01, "-0.01", "a number above 0"),
    ("motions.0.plus", np.inf, "inf", "a finite number"),
    ("motions.1.by.arm", "1", "'1'", "a number"),
    ("limits.side.0", "low", "'low'", "a number"),
    ("speeds.side", 0, "0", "a number above 0"),
    ("readings.sd.side", 0, "0", "a number above 0"),
    ("shots.sd", {"horizontal": 0.01, "vertical": -1}, "-1", "a number above 0"),
    ("envelope.sweep.side.2", 1, "1", "a number of 2 or more"),
    ("envelope.sweep.side.2", 500, "500", "a number of 200 or less"),
    ("envelope.sweep.side.2", 3.5, "3.5", "a whole number"),
    ("envelope.reaches.0.joints.side", "x", "'x'", "a number"),
    ("values.arm", "three", "'three'", "a number"),
]

KIND_FAULTS = [
    ("colour", "yellow", "'yellow'", "a key this file knows"),
    ("parameters.arm.size", 3, "3", "a key this file knows"),
    ("parameters.arm.means", None, "nothing", "a value"),
    ("parameters.arm.means", 5, "5", "text in quotes"),
    ("parameters.arm.unit", "cm", "'cm'", "'m' or 'deg'"),
    ("parameters.arm.held", "no", "'no'", 'true, false or "until shot"'),
    ("parameters", [], "[]", "a table of keys"),
    ("parameters.arm", 3.0, "3.0", "a table of keys"),
    ("free", "arm", "'arm'", "a list in square brackets"),
    ("hold", [1], "1", "text in quotes"),
    ("template", 5, "5", "text in quotes"),
    ("limits.side", 5, "5", "a list in square brackets"),
    ("limits.side", [1, 2, 3], "[1, 2, 3]", "2 in the list"),
    ("envelope.reaches", [], "[]", "1 or more in the list"),
    ("sensors.side.kind", "linkage", "'linkage'",
     "'joint', 'stroke', 'slew', 'in_boom_plane' or 'across'"),
    ("sensors.side.direction", 2, "2", "1 or -1"),
    ("readings.direction.side", 0, "0", "1 or -1"),
    ("motions.0.sense", 2, "2", "1 or -1"),
    ("motions.1.translate", "up", "'up'", "'x', 'y' or 'z'"),
    ("motions.1", {"by": {"arm": 1}}, "{'by': {'arm': 1}}",
     'either "translate" or "rotate", with an axis "x", "y" or "z"'),
    ("motions.1", {"translate": "x", "rotate": "x"}, "{'translate': 'x', 'rotate': 'x'}",
     'either "translate" or "rotate", with an axis "x", "y" or "z"'),
    ("motions.1", {"translate": "x", "joint": "side"}, "{'translate': 'x', 'joint': 'side'}",
     'a "joint" only in a motion that rotates'),
    ("derived.length.measure", "radius", "'radius'",
     "'distance', 'ahead', 'left', 'above' or 'bearing'"),
    ("shots.sd", {"horizontal": 0.1, "vertical": None}, "{'horizontal': 0.1, 'vertical': None}",
     "either east, north and up, or horizontal and vertical"),
    ("shots.sd", {"east": 0.1}, "{'east': 0.1}",
     "either east, north and up, or horizontal and vertical"),
    ("shots.sd", {"east": 0.1, "north": 0.1, "up": 0.1, "vertical": 0.1},
     "{'east': 0.1, 'north': 0.1, 'up': 0.1, 'vertical': 0.1}",
     "either east, north and up, or horizontal and vertical"),
]


@pytest.mark.parametrize(("path", "value", "found", "expected"), NUMBER_FAULTS + KIND_FAULTS)
def test_faults_of_a_value(path, value, found, expected):
    """A value of the wrong kind is quoted, and what it should be is said without jargon."""
    (problem,) = problems(changed(path, value))
    key, *words = problem
    assert key.startswith(path)
    assert words == [found, expected]


NAME_FAULTS = [
    ("motions", None, ("motions", "nothing", 'a list of motions, or a "template"')),
    ("envelope", None,
     ("envelope", "nothing", "reaches and sweeps of the joints where the user works")),
    ("motions.1.by", {"amr": 1},
     ("motions.1.by.amr", "'amr'",
      "a parameter: one of arm, arm_zero, east, north, up, heading")),
    ("targets.edge.motions.0.by", {"amr": 1},
     ("targets.edge.motions.0.by.amr", "'amr'",
      "a parameter: one of arm, arm_zero, east, north, up, heading")),
    ("targets.edge.frame", "buket",
     ("targets.edge.frame.buket", "'buket'", "a frame: one of arm_end, bucket")),
    ("targets.edge.motions.0", {"translate": "z", "by": {"up": 1}},
     ("targets.edge.motions", "a joint, a frame or a placement",
      "motions set by parameters only")),
    ("targets.edge.motions.0", {"rotate": "z", "frame": "more"},
     ("targets.edge.motions", "a joint, a frame or a placement",
      "motions set by parameters only")),
    ("sensors.side.zero", "side_zero",
     ("sensors.side.zero.side_zero", "'side_zero'", "a parameter: one of arm, arm_zero")),
    ("sensors.spare", {"kind": "joint", "means": "drives nothing"},
     ("sensors.spare", "in 0 motions", "exactly one motion that this sensor drives")),
    ("free", ["amr"], ("free.amr", "'amr'", "a parameter: one of arm, arm_zero")),
    ("hold", ["amr"], ("hold.amr", "'amr'", "a parameter: one of arm, arm_zero")),
    ("values.amr", 3, ("values.amr", "'amr'", "a parameter: one of arm, arm_zero")),
    ("readings.sd.sid", 0.1, ("readings.sd.sid", "'sid'", "a reading: one of arm_angle, side")),
    ("readings.direction.sid", 1,
     ("readings.direction.sid", "'sid'", "a reading: one of arm_angle, side")),
    ("limits.sid", [0, 1], ("limits.sid", "'sid'", "a reading: one of arm_angle, side")),
    ("speeds.sid", 1, ("speeds.sid", "'sid'", "a reading: one of arm_angle, side")),
    ("limits.side", [10, -10], ("limits.side", "[10.0, -10.0]", "the lower limit first")),
    ("limits.side", [10, 10], ("limits.side", "[10.0, 10.0]", "the lower limit first")),
    ("derived.length.start", "arm_ned",
     ("derived.length.arm_ned", "'arm_ned'",
      "a target or a frame: one of edge, arm_end, bucket")),
    ("envelope.target", "egde", ("envelope.target", "'egde'", "a target: one of edge")),
    ("envelope.sweep.sid", [0, 1, 2],
     ("envelope.sid", "'sid'", "a reading: one of arm_angle, side")),
    ("envelope.reaches.0.joints.sid", 1,
     ("envelope.sid", "'sid'", "a reading: one of arm_angle, side")),
    ("parameters.up", {"unit": "m", "start": 0.0, "means": "clashes"},
     ("parameters.up", "'up'", "another name: this one places a stand")),
    ("motions.0.sense", 1,
     ("motions.0", "rotate y, sense 1",
      "rotate y, sense -1, where the sensor arm_angle measures in_boom_plane")),
    ("motions.2.rotate", "z",
     ("motions.2", "rotate z, sense 1",
      "rotate x, sense 1, where the sensor side measures across")),
    ("template", "backhoe",
     ("template", "'backhoe'", "one of " + ", ".join(template_names()))),
]


@pytest.mark.parametrize(("path", "value", "problem"), NAME_FAULTS)
def test_names_that_point_nowhere(path, value, problem):
    """Each names the key, what stood there, and what could."""
    assert problem in problems(changed(path, value))


def test_a_joint_without_a_sensor():
    """The joint points nowhere, and its sensor drives nothing."""
    found = problems(changed("motions.2.joint", "sides"))
    assert ("motions.2.joint.sides", "'sides'", "a sensor: one of arm_angle, side") in found
    assert ("sensors.side", "in 0 motions", "exactly one motion that this sensor drives") in found


def test_a_sensor_that_drives_two_motions():
    """One reading turns one joint."""
    data = copy.deepcopy(OWN)
    data["motions"].append({"rotate": "x", "joint": "side"})
    assert problems(data) == [
        ("sensors.side", "in 2 motions", "exactly one motion that this sensor drives")]


def test_a_frame_named_twice():
    """A target could hang on either."""
    found = problems(changed("motions.1.frame", "bucket"))
    assert ("motions.1.frame", "'bucket'", "a name used once") in found
    assert ("motions.2.frame", "'bucket'", "a name used once") in found


def test_free_and_held_at_once():
    """One or the other."""
    data = changed("hold", ["arm"])
    data["free"] = ["arm"]
    assert problems(data) == [("hold.arm", "also in free", "free or held, not both")]


def test_a_template_and_a_chain_of_ones_own():
    """Motions beside a template say where they go; in a chain of one's own they stand in place."""
    (first, *_) = problems({"template": "tilt_rotator", "motions": OWN["motions"]})
    assert first == ("motions.0", "none of them",
                     'one of "before", "after" or "at" with a frame of the template')
    data = changed("motions.1", {**OWN["motions"][1], "after": "arm"})
    assert ("motions.1", "after",
            'a place in the list: only a rig with a "template" is added to') in problems(data)


def test_every_fault_at_once():
    """Three faults, three complaints, and one message that has them all."""
    data = {"template": "tilt_rotator", "hold": ["bom_zero"], "limits": {"boom": [50, -50]},
            "readings": {"sd": {"bucket": 0.1}}}
    with pytest.raises(RigError, match=r"bom_zero.*; .*bucket.*; limits\.boom: found \[50") as all_:
        rig_from_dict(data)
    assert len(all_.value.problems) == 3


# --- What a rig file changes ---------------------------------------------------------------------

def test_template_unchanged():
    """No sds of shots and readings; the parameters held are those the format says."""
    rig = rig_from_template("tilt_rotator")
    assert rig.name == "tilt_rotator"
    assert rig.shot_sd is None
    assert all(r.sd is None for r in rig.readings)
    held = {p.name for p in rig.parameters if p.held}
    assert held == {"tilt_axis_side", "tilt_axis_yaw", "rotation_axis_lean", "house_pitch_zero",
                    "house_roll_zero", "boom_foot_width", "stick_pin_side", "bucket_pin_side"}
    np.testing.assert_array_equal(rig.held, [p.held for p in rig.parameters])


def test_hold_free_and_values():
    """A held parameter may be freed, a free one held, and both may be given a value."""
    rig = rig_from_dict({"template": "tilt_rotator", "free": ["tilt_axis_yaw"],
                         "hold": ["boom_length"],
                         "values": {"boom_length": 5.123, "tilt_axis_yaw": 2.0}})
    by_name = {p.name: p for p in rig.parameters}
    assert by_name["boom_length"].held and by_name["boom_length"].start == 5.123
    assert not by_name["tilt_axis_yaw"].held
    assert by_name["tilt_axis_yaw"].start == pytest.approx(np.radians(2.0))
    assert rig.start[rig.parameter_names.index("boom_length")] == 5.123


def test_angles_become_radians():
    """Degrees in the file, radians inside; metres stay."""
    rig = rig_from_dict({"template": "tilt_rotator", "limits": {"tilt": [-30, 45]},
                         "speeds": {"tilt": 90},
                         "readings": {"sd": {"tilt": 0.06}, "direction": {"tilt": -1}}})
    tilt = rig.readings[rig.reading_names.index("tilt")]
    assert tilt.low == pytest.approx(-np.pi / 6) and tilt.high == pytest.approx(np.pi / 4)
    assert tilt.speed == pytest.approx(np.pi / 2)
    assert tilt.sd == pytest.approx(0.06 * np.pi / 180)
    assert tilt.direction == -1.0
    parameters = {p.name: p for p in rig.parameters}
    assert parameters["rotate_zero"].tape_sd == pytest.approx(np.radians(0.6))
    assert parameters["edge_reach"].tape_sd == 0.012


def test_limits_change_one_by_one():
    """What a rig file does not mention keeps the template's limits and speeds."""
    template = rig_from_template("tilt_rotator")
    rig = rig_from_dict({"template": "tilt_rotator", "limits": {"boom": [0, 10]}})
    for before, after in zip(template.readings, rig.readings, strict=True):
        assert after.speed == before.speed
        if after.name == "boom":
            assert (after.low, after.high) == (0.0, pytest.approx(np.radians(10)))
        else:
            assert (after.low, after.high) == (before.low, before.high)


def test_a_joint_without_limits_may_turn_all_round():
    """Half a turn either way."""
    rig = rig_from_dict(changed("limits", {}))
    assert [(r.low, r.high) for r in rig.readings] == [(-np.pi, np.pi)] * 2


@pytest.mark.parametrize(
    ("sd", "expected"),
    [({"east": 0.001, "north": 0.002, "up": 0.003}, [0.001, 0.002, 0.003]),
     ({"horizontal": 0.01, "vertical": 0.02}, [0.01, 0.01, 0.02])])
def test_sd_of_shots(sd, expected):
    """Two ways to say it."""
    rig = rig_from_dict({"template": "tilt_rotator", "shots": {"sd": sd}})
    assert rig.shot_sd.tolist() == expected


def test_a_target_may_be_added_to_a_template():
    """A tooth of one's own, on the template's rotator."""
    rig = rig_from_dict({"template": "tilt_rotator", "targets": {"edge_tooth": {
        "frame": "rotator", "means": "third tooth", "motions": [
            {"translate": "x", "by": {"edge_reach": 1}, "plus": 0.1},
            {"translate": "z", "by": {"edge_drop": -1}}]}}})
    assert rig.target_names[-1] == "edge_tooth"
    assert rig.edge_targets[-1] == len(rig.targets) - 1
    posture = rig.chain.posture(rig.start, [[0, 0, 0, np.pi / 2]], np.zeros((1, 7)))
    mid, tooth = (rig.target_names.index(t) for t in ("edge_mid", "edge_tooth"))
    at = posture.points([mid, tooth], [0, 0]).position
    np.testing.assert_allclose(at[1] - at[0], [0.1, 0, 0], atol=1e-12)


def test_direction_turns_a_reading_round(draw):
    """A sensor mounted the other way: readings of the opposite sign, the same machine."""
    usual = rig_from_template("tilt_rotator")
    other = rig_from_dict({"template": "tilt_rotator",
                           "readings": {"direction": {r: -1 for r in usual.reading_names}}})
    case = draw(usual, 0)
    zeros = np.array([name.endswith("_zero") for name in usual.parameter_names])
    parameters = np.where(zeros, 0.0, case.parameters)
    readings = usual.chain.readings_for(parameters, case.joints)
    np.testing.assert_allclose(other.chain.readings_for(parameters, case.joints), -readings,
                               atol=1e-15)
    # A zero is added to the turned reading, so it keeps its sign.
    np.testing.assert_allclose(
        other.chain.readings_for(case.parameters, case.joints),
        -usual.chain.readings_for(case.parameters, case.joints), atol=1e-15)


def test_envelope_joints():
    """Every reach with every combination of the sweep; what is not named is zero."""
    rig = rig_from_dict(changed("envelope", {
        "target": "edge", "sweep": {"side": [-10, 10, 3]},
        "reaches": [{"name": "near", "joints": {"arm_angle": 60}},
                    {"name": "far", "joints": {}}]}))
    joints, reach = rig.envelope_joints()
    assert reach.tolist() == [0, 0, 0, 1, 1, 1]
    np.testing.assert_allclose(np.degrees(joints), [[60, -10], [60, 0], [60, 10], [0, -10],
                                                    [0, 0], [0, 10]], atol=1e-12)


def test_an_unknown_template_is_told_with_the_other_faults():
    """A misspelt template does not hide behind another fault of the same file."""
    with pytest.raises(RigError) as caught:
        rig_from_dict({"template": "tilt_rotater", "free": "boom_length"})
    assert {key for key, _, _ in caught.value.problems} == {"template", "free"}
