"""Which way is positive: one test per sign, as a person beside the machine would put it."""

import numpy as np
import pytest

from calib.chain.rig import rig_from_template

RIG = rig_from_template("tilt_rotator")
STEP = np.radians(1.0)
#: A machine at work: boom up, stick down, tilt axis about level, seen at 90 degrees heading, so
#: that east is forward, north is left and up is up.
AT_WORK = {"boom": 35.0, "stick": -60.0, "coupler": 5.0}
HEADING_EAST = (0.0, 0.0, 0.0, np.pi / 2)


def place(targets, readings, heading=HEADING_EAST, parameters=None, chain=RIG.chain):
    """Positions of targets, shape (n, 3), with readings in degrees (others 0)."""
    row = np.radians([[readings.get(r.name, 0.0) for r in RIG.readings]])
    posture = chain.posture(RIG.start if parameters is None else parameters, [heading], row,
                            jacobian=False)
    index = [RIG.target_names.index(t) for t in targets]
    return posture.points(np.array(index), np.zeros(len(index), int)).position


def move(reading, target="edge_mid", chain=RIG.chain, **others):
    """How a target moves, forward, left and up, when a reading grows by one degree."""
    before = AT_WORK | others
    after = before | {reading: before.get(reading, 0.0) + np.degrees(STEP)}
    return (place([target], after, chain=chain) - place([target], before, chain=chain))[0]


def change(name, by, target="edge_mid", **readings):
    """How a target moves, forward, left and up, when a parameter grows."""
    parameters = RIG.start.copy()
    parameters[RIG.parameter_names.index(name)] += by
    readings = AT_WORK | readings
    return (place([target], readings, parameters=parameters) - place([target], readings))[0]


# --- The stand -----------------------------------------------------------------------------------

@pytest.mark.parametrize(
    ("heading", "ahead"),
    [(0, (0, 1)), (90, (1, 0)), (180, (0, -1)), (270, (-1, 0)), (45, (0.5**0.5, 0.5**0.5))])
def test_heading_is_clockwise_from_north(heading, ahead):
    """A boom stretched out level points north at heading 0 and east at 90."""
    pin = place(["stick_pin"], {}, heading=(100.0, 200.0, 5.0, np.radians(heading)))[0]
    assert pin == pytest.approx([100 + 5.7 * ahead[0], 200 + 5.7 * ahead[1], 5.0], abs=1e-12)


def test_stand_is_the_boom_foot_pin():
    """East, north and up of a stand are those of the middle of the boom foot pin."""
    left, right = place(["boom_foot_left", "boom_foot_right"], {"boom": 20},
                        heading=(7.0, 8.0, 9.0, 1.0))
    assert (left + right) / 2 == pytest.approx([7.0, 8.0, 9.0])


def test_left_is_left():
    """Heading north the left end of the pin is in the west."""
    left, right = place(["boom_foot_left", "boom_foot_right"], {}, heading=(0, 0, 0, 0.0))
    assert left == pytest.approx([-0.4, 0, 0])
    assert right == pytest.approx([0.4, 0, 0])


# --- The house -----------------------------------------------------------------------------------

def test_nose_up_is_positive_pitch():
    """The left pin end stays; what is ahead, fixed to the house, goes up."""
    direct = RIG.chain.with_direct_joints
    assert move("house_pitch", chain=direct, boom=0.0, stick=0.0, coupler=0.0)[2] > 0.1
    assert move("house_pitch", "boom_foot_left") == pytest.approx([0, 0, 0], abs=1e-12)


def test_left_side_up_is_positive_roll():
    """The left end of the boom foot pin goes up, the right end down."""
    assert move("house_roll", "boom_foot_left")[2] > 0.005
    assert move("house_roll", "boom_foot_right")[2] < -0.005


def test_inclinometers_are_read_against_gravity():
    """The house nodding under a boom whose inclinometer keeps its reading does not lift the boom.
    """
    assert move("house_pitch", "stick_pin") == pytest.approx([0, 0, 0], abs=1e-12)


# --- Boom, stick, coupler ------------------------------------------------------------------------

@pytest.mark.parametrize("joints", ["readings", "joint angles"])
def test_boom_up_is_positive(joints):
    """Stick pin and edge go up and, above the level of the foot, back."""
    chain = RIG.chain if joints == "readings" else RIG.chain.with_direct_joints
    pin = move("boom", "stick_pin", chain)
    assert pin[2] == pytest.approx(5.7 * np.cos(np.radians(35)) * STEP, rel=0.02)
    assert pin[0] == pytest.approx(-5.7 * np.sin(np.radians(35)) * STEP, rel=0.02)
    assert move("boom", "edge_mid", chain)[2] > 0.05


def test_stick_with_its_far_end_higher_is_more_positive():
    """The bucket pin goes up and forward, the stick pin stays."""
    pin = move("stick", "bucket_pin")
    assert pin[2] > 0 and pin[0] > 0
    assert np.linalg.norm(pin) == pytest.approx(2.9 * STEP, rel=0.001)
    assert move("stick", "stick_pin") == pytest.approx([0, 0, 0], abs=1e-12)


def test_coupler_with_its_front_higher_is_more_positive():
    """Curling out: the edge, below the pin, goes forward; a point ahead of the pin goes up."""
    assert move("coupler", "edge_mid")[0] > 0.01
    assert move("coupler", "edge_mid")[2] > 0.005
    assert move("coupler", "bucket_pin") == pytest.approx([0, 0, 0], abs=1e-12)


def test_inclinometers_do_not_add_up():
    """Raising the boom alone lifts stick and coupler without turning them."""
    edge, pin = move("boom", "edge_mid"), move("boom", "bucket_pin")
    assert edge == pytest.approx(pin, abs=1e-12)


# --- Tilt rotator --------------------------------------------------------------------------------

@pytest.mark.parametrize("joints", ["readings", "joint angles"])
def test_left_side_up_is_positive_tilt(joints):
    """The left corner goes up, the right corner down, the edge, below the axis, goes left."""
    chain = RIG.chain if joints == "readings" else RIG.chain.with_direct_joints
    level = {"coupler": 0.0} if joints == "readings" else {"coupler": 25.0}
    left, right = (move("tilt", f"edge_{side}", chain, **level) for side in ("left", "right"))
    assert left[2] == pytest.approx(0.75 * STEP, rel=0.05)
    assert right[2] == pytest.approx(-0.75 * STEP, rel=0.05)
    assert move("tilt", "edge_mid", chain, **level)[1] == pytest.approx(1.1 * STEP, rel=0.05)


def test_rotation_is_counter_clockwise_seen_from_above():
    """The edge ahead of the axis goes to the left."""
    turned = move("rotate", "edge_mid", coupler=0.0)
    assert turned[1] == pytest.approx(0.6 * STEP, rel=0.01)
    assert turned[2] == pytest.approx(0, abs=1e-12)
    assert move("rotate", "edge_left", coupler=0.0)[0] < -0.01


# --- Parameters ----------------------------------------------------------------------------------

def test_zeros_are_added_to_the_readings():
    """A zero does what a larger reading would."""
    for reading in RIG.readings:
        index = RIG.parameter_names.index(reading.zero)
        parameters = RIG.start.copy()
        parameters[index] += STEP
        by_zero = place(["edge_left"], AT_WORK, parameters=parameters)
        by_reading = place(["edge_left"], AT_WORK | {
            reading.name: AT_WORK.get(reading.name, 0.0) + np.degrees(STEP)})
        np.testing.assert_allclose(by_zero, by_reading, atol=1e-12)


@pytest.mark.parametrize(
    ("name", "where", "expected"),
    [
        ("tilt_axis_drop", "edge_mid", (0, 0, -1)),
        ("rotation_axis_ahead", "edge_mid", (1, 0, 0)),
        ("tilt_axis_side", "edge_mid", (0, 1, 0)),
        ("rotation_axis_side", "edge_mid", (0, 1, 0)),
        ("edge_reach", "edge_mid", (1, 0, 0)),
        ("edge_drop", "edge_mid", (0, 0, -1)),
        ("edge_side", "edge_mid", (0, 1, 0)),
        ("edge_width", "edge_left", (0, 0.5, 0)),
        ("edge_width", "edge_right", (0, -0.5, 0)),
        ("edge_width", "edge_mid", (0, 0, 0)),
        ("boom_foot_width", "boom_foot_left", (0, 0.5, 0)),
        ("stick_pin_side", "stick_pin", (0, 1, 0)),
        ("bucket_pin_side", "bucket_pin", (0, 1, 0)),
    ],
)
def test_lengths_forward_left_up(name, where, expected):
    """With coupler, tilt and rotation at zero each length has its plain direction."""
    moved = change(name, 0.01, where, coupler=0.0)
    assert moved / 0.01 == pytest.approx(expected, abs=1e-9)


def test_boom_and_stick_lengths_go_along_their_links():
    """A longer boom puts the stick pin further out along the boom."""
    along = np.radians(35)
    assert change("boom_length", 0.01, "stick_pin") / 0.01 == pytest.approx(
        [np.cos(along), 0, np.sin(along)], abs=1e-9)
    along = np.radians(-60)
    assert change("stick_length", 0.01, "bucket_pin") / 0.01 == pytest.approx(
        [np.cos(along), 0, np.sin(along)], abs=1e-9)


def test_left_corner_higher_is_positive_skew():
    """The left corner goes up, the right corner down, the middle stays."""
    assert change("edge_skew", STEP, "edge_left", coupler=0.0)[2] == pytest.approx(
        0.75 * np.sin(STEP))
    assert change("edge_skew", STEP, "edge_right", coupler=0.0)[2] == pytest.approx(
        -0.75 * np.sin(STEP))
    assert not change("edge_skew", STEP, "edge_mid").any()


def test_tilt_axis_turned_left_is_positive_yaw():
    """The edge ahead of the rotation axis goes to the left."""
    assert change("tilt_axis_yaw", STEP, coupler=0.0)[1] == pytest.approx(0.6 * STEP, rel=0.01)


def test_rotation_axis_leaning_forward_at_its_top_is_positive():
    """The edge, below the axis's foot, goes backward; the front goes down."""
    moved = change("rotation_axis_lean", STEP, coupler=0.0)
    assert moved[0] == pytest.approx(-1.1 * STEP, rel=0.02)
    assert moved[2] == pytest.approx(-0.6 * STEP, rel=0.02)
