"""Marks on any member: three lines of a rig file are a target with three parameters."""

import numpy as np
import pytest

from calib.chain.derived import derived_values
from calib.chain.rig import rig_from_dict
from calib.chain.schema import RigError

ANTENNAS = {
    "left_antenna": {"on": "house", "near": [-1.6, 0.9, 1.7]},
    "right_antenna": {"on": "house", "near": [-1.5, -0.9, 1.7], "sd": 0.05},
}
LINE = {"antenna_line": {"measure": "bearing", "start": "right_antenna", "end": "left_antenna",
                         "means": "line of the antennas, from the boom plane"}}


def marked(marks, **more):
    return rig_from_dict({"template": "tilt_rotator", "marks": marks} | more)


def problems(**data):
    with pytest.raises(RigError) as refused:
        rig_from_dict({"template": "tilt_rotator"} | data)
    return refused.value.problems


@pytest.mark.parametrize("frame", ["house", "boom", "stick", "stick_end", "coupler", "tilt_member",
                                   "rotator"])
def test_a_mark_is_where_its_frame_and_its_coordinates_say(frame):
    """Of the target at the frame's origin: moved along the frame's own axes."""
    rig = marked({"dot": {"on": frame}})
    i = rig.target_names.index("dot")
    parameters = rig.start.copy()
    at = [rig.parameter_names.index(f"dot_{along}") for along in ("ahead", "left", "above")]
    parameters[at] = 0.3, -0.2, 0.5
    joints = np.radians([[2, -1, 30, -80, 50, 10, 40]])
    posture = rig.chain.posture(parameters, np.array([[4.0, 5.0, 0.5, 1.0]]),
                                rig.chain.readings_for(parameters, joints))
    point = posture.points(np.array([i]), np.array([0]))
    axes = np.stack(posture.columns[frame], axis=2)[0]
    expected = posture.positions[frame][0] + axes @ [0.3, -0.2, 0.5]
    np.testing.assert_allclose(point.position[0], expected, rtol=0, atol=1e-12)
    np.testing.assert_allclose(point.by_parameters[0][:, at], axes, rtol=0, atol=1e-12)


def test_its_parameters_wait_for_its_first_shot():
    rig = marked(ANTENNAS)
    left = [p for p in rig.parameters if p.name.startswith("left_antenna_")]
    assert [p.name for p in left] == [f"left_antenna_{a}" for a in ("ahead", "left", "above")]
    assert [p.start for p in left] == [-1.6, 0.9, 1.7]
    assert all(p.held and p.until_shot and p.unit == "m" and not p.near for p in left)
    assert all(p.near and p.tape_sd == 0.05 for p in rig.parameters
               if p.name.startswith("right_antenna"))
    shot = rig.when_shot([rig.target_names.index("left_antenna")])
    assert {p.name for p in shot.parameters if not p.held} - {
        p.name for p in rig.parameters if not p.held} == {p.name for p in left}


def test_the_definition_makes_the_same_rig():
    rig = marked(ANTENNAS, derived=LINE)
    again = rig_from_dict(rig.definition)
    assert (again.parameters, again.targets, again.derived) == (
        rig.parameters, rig.targets, rig.derived)


def test_range_and_value_of_a_mark_can_be_stated():
    rig = marked(ANTENNAS, ranges={"left_antenna_left": [0.5, 1.5]},
                 values={"left_antenna_left": 1.0})
    p = rig.parameters[rig.parameter_names.index("left_antenna_left")]
    assert (p.least, p.most, p.start) == (0.5, 1.5, 1.0)


@pytest.mark.parametrize(("marks", "key", "found", "expected"), [
    ({"dot": {"on": "hous"}}, "marks.dot.on", "'hous'", "a frame: one of stand, house, boom"),
    ({"stick_pin": {"on": "house"}}, "marks.stick_pin", "'stick_pin'", "not used yet"),
    ({"rotation_axis": {"on": "house"}}, "marks.rotation_axis", "'rotation_axis_ahead'",
     "not used yet"),
    ({"a": {"on": "house"}, "a_left": {"on": "house"}}, "marks.a_left", "'a_left'",
     "not used yet"),
    ({"edge_tooth": {"on": "rotator"}}, "marks.edge_tooth", "'edge_tooth'", "begin with a digit"),
    ({"left antenna": {"on": "house"}}, "marks.left antenna", "'left antenna'", "letters"),
    ({"dot": {"on": "house", "near": [100.0, 0.0, 0.0]}}, "marks.dot.near",
     "[100.0, 0.0, 0.0]", "at most 20"),
    ({"dot": {}}, "marks.dot.on", "nothing", "a value"),
])
def test_faults(marks, key, found, expected):
    """One fault, one complaint, at the mark and not at what it was written out as."""
    (problem,) = problems(marks=marks)
    assert problem[:2] == (key, found)
    assert expected in problem[2]


@pytest.mark.parametrize("turned", [0.0, 90.0, -135.0, 179.9])
def test_bearing_of_two_marks(turned):
    """The angle left of the boom plane, and its derivatives by differences."""
    rig = marked(ANTENNAS, derived=LINE)
    (i,) = [k for k, d in enumerate(rig.derived) if d.name == "antenna_line"]
    assert rig.derived[i].unit == "deg"
    ends = {"right_antenna": np.array([-1.5, -0.9, 1.7])}
    ends["left_antenna"] = ends["right_antenna"] + [
        1.8 * np.cos(np.radians(turned)), 1.8 * np.sin(np.radians(turned)), 0.3]
    parameters = rig.start.copy()
    for name, place in ends.items():
        for along, value in zip(("ahead", "left", "above"), place, strict=True):
            parameters[rig.parameter_names.index(f"{name}_{along}")] = value
    values, gradient = derived_values(rig, parameters)
    assert np.degrees(values[i]) == pytest.approx(turned, abs=1e-9)
    for k in range(len(parameters)):
        step = np.eye(len(parameters))[k] * 1e-6
        change = derived_values(rig, parameters + step)[0] - derived_values(
            rig, parameters - step)[0]
        assert gradient[i, k] == pytest.approx(change[i] / 2e-6, abs=1e-7)


def test_points_that_coincide_have_no_bearing_that_moves():
    """Marks nobody has shot yet: numbers, not NaN."""
    rig = marked({"a": {"on": "house"}, "b": {"on": "house"}},
                 derived={"line": {"measure": "bearing", "start": "a", "end": "b", "means": "x"}})
    values, gradient = derived_values(rig, rig.start)
    assert np.isfinite(values).all() and np.isfinite(gradient).all()
    assert "line" in rig.untold
    both = rig.when_shot([rig.target_names.index(n) for n in ("a", "b")])
    assert "line" not in both.untold
