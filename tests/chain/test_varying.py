"""Amounts and sensors that vary with the pose: values, derivatives, inverse, and recovery."""

from dataclasses import replace

import numpy as np
import pytest

from calib.chain.basis import (
    OF_DISTANCE,
    OF_INCLINATION,
    OF_JOINT,
    OF_POSE,
    OF_READING,
    QUARTER_TURN,
)
from calib.chain.rig import rig_from_dict
from calib.chain.schema import RigError


def angle(means, **more):
    return {"unit": "deg", "start": 0.0, "least": -5, "most": 5, "means": means} | more


def bent(times, of, **place):
    """A rotation behind the boom frame, or elsewhere, that varies with the pose."""
    return {
        "template": "tilt_rotator",
        "motions": [{"rotate": "y", "varying": [{"by": {"bend": 1}, "times": times, "of": of}],
                     **(place or {"after": "boom"})}],
        "parameters": {"bend": angle("bend of the boom, far end down")},
    }


def loaded(of="boom", to="stick_end", **place):
    """What bends by the moment of what hangs on a frame."""
    data = bent(OF_DISTANCE, of, **place)
    data["motions"][0]["varying"][0]["to"] = to
    return data


def with_sensor(reading, times, kind="joint"):
    return {
        "template": "tilt_rotator",
        "sensors": {reading: {"kind": kind, "zero": f"{reading}_zero", "means": "x",
                              "varying": {"odd": times}}},
        "parameters": {"odd": angle("what varies in the reading")},
    }


CASES = [
    *(bent(times, of) for times in OF_INCLINATION for of in ("boom", "house")),
    *(bent(times, of) for times in OF_JOINT for of in ("boom", "house_pitch")),
    bent("sine of joint", "rotate", after="rotator"),
    bent("cosine of inclination", "stick", after="stick_end"),
    loaded(), loaded("boom_end", after="stick"), loaded("house", "rotator"),
    loaded("boom", "tilt_axis", before="house"),
    *(bent(OF_POSE, of) for of in ("approach", "load")),
    *(with_sensor("rotate", times) for times in (*OF_READING, "approach")),
    *(with_sensor("boom", times, "in_boom_plane") for times in (*OF_READING, "approach")),
    *(with_sensor("tilt", times, "across") for times in (*OF_READING, "load")),
]


@pytest.mark.parametrize("data", CASES)
@pytest.mark.parametrize("seed", [0, 1])
def test_derivatives_and_inverse(data, seed, draw, assert_derivatives):
    """By parameters, placement and readings to 1e-7; readings to joints and back to 1e-12."""
    case = draw(rig_from_dict(data), seed)
    assert_derivatives(case.chain, case.parameters, case.placement, case.readings,
                       *case.every_target_in_every_pose(), case.noted)
    posture = case.chain.posture(case.parameters, case.placement, case.readings, False, case.noted)
    np.testing.assert_allclose(posture.joints, case.joints, rtol=0, atol=1e-12)
    again = case.chain.readings_for(case.parameters, posture.joints, case.noted)
    np.testing.assert_allclose(again, case.readings, rtol=0, atol=1e-12)


@pytest.mark.parametrize(("boom", "expected"), [(0.0, 1.0), (60.0, 0.5), (90.0, 0.0)])
def test_a_boom_that_sags(boom, expected):
    """Its far end turns down by the parameter times the cosine of its inclination."""
    rig = rig_from_dict(bent("cosine of inclination", "boom"))
    parameters = rig.start.copy()
    parameters[rig.parameter_names.index("bend")] = np.radians(1.0)
    joints = np.zeros((1, 7))
    joints[0, rig.reading_names.index("boom")] = np.radians(boom)
    posture = rig.chain.posture(parameters, np.array([[0, 0, 0, np.pi / 2]]),
                                rig.chain.readings_for(parameters, joints))
    along = np.stack(posture.columns["boom_end"], axis=2)[0][:, 0]
    risen = np.degrees(np.arctan2(along[2], along[0]))
    assert risen == pytest.approx(boom - expected, abs=1e-9)


@pytest.mark.parametrize("heading", [90.0, 200.0])
@pytest.mark.parametrize(("boom", "stick"), [(0.0, 0.0), (40.0, -100.0), (60.0, -150.0)])
def test_a_boom_that_sags_under_its_load(boom, stick, heading):
    """Down by the parameter times how far ahead the bucket pin is: negative where it is behind."""
    rig = rig_from_dict(loaded("boom_end", after="boom"))
    lengths = [rig.start[rig.parameter_names.index(f"{name}_length")] for name in ("boom", "stick")]
    parameters, joints = rig.start.copy(), np.zeros((1, 7))
    parameters[rig.parameter_names.index("bend")] = np.radians(0.1)
    joints[0, 2:5] = np.radians([boom, stick, -boom - stick])
    placement = np.array([[3.0, 5.0, 1.0, np.radians(heading)]])
    posture = rig.chain.posture(parameters, placement, rig.chain.readings_for(parameters, joints))
    ahead = lengths[1] * np.cos(np.radians(boom + stick))
    along = np.stack(posture.columns["boom_end"], axis=2)[0][:, 0]
    risen = np.degrees(np.arcsin(along[2]))
    # The sensors tell where the bent machine is, the distance that of the stiff one: 1e-3 apart.
    assert risen == pytest.approx(boom - 0.1 * ahead, abs=1e-3)
    np.testing.assert_allclose(posture.joints, joints, atol=1e-14)


def test_a_reading_that_tells_too_much():
    """One degree at a quarter turn is a third of it at 30 degrees."""
    rig = rig_from_dict(with_sensor("rotate", "reading"))
    parameters = rig.start.copy()
    parameters[rig.parameter_names.index("odd")] = np.radians(1.0)
    readings = np.zeros((2, 7))
    readings[:, rig.reading_names.index("rotate")] = np.radians([30.0, 90.0])
    posture = rig.chain.posture(parameters, np.zeros((2, 4)), readings)
    turned = np.degrees(posture.joints[:, rig.reading_names.index("rotate")])
    np.testing.assert_allclose(turned, [30 + 1 / 3, 91.0], atol=1e-12)
    assert QUARTER_TURN == np.pi / 2


def test_a_direction_of_approach():
    """A joint that came down reads half a degree less than one that came up, by a quarter each."""
    rig = rig_from_dict(with_sensor("rotate", "approach"))
    parameters = rig.start.copy()
    parameters[rig.parameter_names.index("odd")] = np.radians(0.25)
    up, down = (rig.as_noted({"approach": np.array([value])}, 1) for value in (1.0, -1.0))
    joints = [rig.chain.posture(parameters, np.zeros((1, 4)), np.zeros((1, 7)), False, n).joints
              for n in (up, down, None)]
    np.testing.assert_allclose(np.degrees([j[0, -1] for j in joints]), [0.25, -0.25, 0.0])


def test_a_sensor_of_the_template_says_only_what_is_different():
    """Kind, zero and meaning stay; what varies is added to what varied before."""
    rig = rig_from_dict({
        "template": "tilt_rotator",
        "sensors": {"boom": {"varying": {"late": "approach", "steep": "reading"}}},
        "parameters": {"late": angle("x"), "steep": angle("y")}})
    before = rig_from_dict({"template": "tilt_rotator"}).chain.sensors
    boom = next(s for s in rig.chain.sensors if s.name == "boom")
    assert boom.varying == {"late": "approach", "steep": "reading"}
    assert replace(boom, varying={}) == next(s for s in before if s.name == "boom")


def test_the_definition_makes_the_same_chain():
    for data in (bent("sine of joint", "boom"), with_sensor("rotate", "sine")):
        rig = rig_from_dict(data)
        again = rig_from_dict(rig.definition)
        assert again.chain.motions == rig.chain.motions
        assert again.chain.sensors == rig.chain.sensors


@pytest.mark.parametrize(("data", "key", "found", "expected"), [
    (bent("cosine", "boom"), "motions.0.varying.0.times", "'cosine'", "'cosine of joint'"),
    (bent("cosine of inclination", "stick"), "motions.0.varying.0.of.stick", "'stick'",
     "a frame before this motion: one of stand, house, boom"),
    (bent("cosine of joint", "stick"), "motions.0.varying.0.of.stick", "'stick'",
     "a joint of this motion or before it: one of house_pitch, house_roll, boom"),
    (with_sensor("rotate", "tangent"), "sensors.rotate.varying.odd", "'tangent'",
     "reading, cosine, sine, approach or load"),
    (bent(OF_POSE, "wind"), "motions.0.varying.0.of.wind", "'wind'",
     "a column under [pose_columns]: one of approach, load"),
    (loaded("boom", "stik"), "motions.0.varying.0.to.stik", "'stik'",
     "a frame: one of stand, house"),
    (bent(OF_DISTANCE, "boom"), "motions.0.varying.0.to.None", "None", "a frame: one of"),
    ({**bent("sine of joint", "boom"), "motions": [{"rotate": "y", "after": "boom", "varying": [
        {"by": {"bend": 1}, "times": "sine of joint", "of": "boom", "to": "stick"}]}]},
     "motions.0.varying.0.to", "'stick'", "nothing: only a horizontal distance"),
    ({"template": "tilt_rotator", "pose_columns": {"time": {
        "words": {"early": 0, "late": 1}, "means": "x"}}},
     "pose_columns.time", "'time'", "a name that readings.csv has not used yet"),
    ({"template": "tilt_rotator", "sensors": {"rotate": {
        "kind": "joint", "means": "x", "varying": {"od": "sine"}}}},
     "sensors.rotate.varying.od", "'od'", "a parameter: one of"),
    ({"template": "tilt_rotator", "motions": [{"rotate": "y", "after": "boom", "varying": [
        {"by": {"heading": 1}, "times": "sine of joint", "of": "boom"}]}]},
     "motions.0.varying.0.by.heading", "'heading'", "a parameter: one of"),
])
def test_faults(data, key, found, expected):
    with pytest.raises(RigError) as refused:
        rig_from_dict(data)
    problem = refused.value.problems[0]
    assert problem[:2] == (key, found)
    assert expected in problem[2]
