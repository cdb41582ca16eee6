"""What holds for any machine in any pose."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from calib.chain.rig import rig_from_template


def rotation(posture, frame):
    """Axes of a frame as columns, in the site frame, shape (n_poses, 3, 3)."""
    return np.stack(posture.columns[frame], axis=2)

RIG = rig_from_template("tilt_rotator")
CHAIN = RIG.chain
EVERY = np.arange(len(CHAIN.targets))
TARGET = {name: i for i, name in enumerate(RIG.target_names)}

modest = settings(max_examples=40, deadline=None)
seeds = st.integers(0, 10_000)
shifts = st.tuples(*[st.floats(-1000, 1000)] * 3)
headings = st.floats(-7, 7)


def points(parameters, placement, joints):
    """All targets of one pose given by joint angles, shape (n_targets, 3)."""
    posture = CHAIN.with_direct_joints.posture(parameters, [placement], [joints], jacobian=False)
    return posture.points(EVERY, np.zeros_like(EVERY)).position


@modest
@given(seed=seeds, shift=shifts, heading=headings)
def test_a_stand_moves_the_machine_rigidly(draw, seed, shift, heading):
    """Another placement: the same machine, shifted and turned about the vertical."""
    case = draw(RIG, seed, 1)
    at_home = points(case.parameters, (0, 0, 0, np.pi / 2), case.joints[0])
    elsewhere = points(case.parameters, (*shift, heading), case.joints[0])
    turn = Rotation.from_rotvec([0, 0, np.pi / 2 - heading])
    np.testing.assert_allclose(elsewhere, turn.apply(at_home) + shift, rtol=0, atol=1e-11)


@modest
@given(seed=seeds)
def test_corners_are_an_edge_width_apart(draw, seed):
    """In every pose, with the middle half-way."""
    case = draw(RIG, seed)
    targets, poses = case.every_target_in_every_pose()
    posture = CHAIN.posture(case.parameters, case.placement, case.readings, jacobian=False)
    at = posture.points(targets, poses).position.reshape(len(case.readings), -1, 3)
    left, mid, right = (at[:, TARGET[f"edge_{w}"]] for w in ("left", "mid", "right"))
    width = case.parameters[RIG.parameter_names.index("edge_width")]
    np.testing.assert_allclose(np.linalg.norm(left - right, axis=1), abs(width), atol=1e-12)
    np.testing.assert_allclose((left + right) / 2, mid, rtol=0, atol=1e-12)


@modest
@given(seed=seeds)
def test_links_keep_their_lengths(draw, seed):
    """Pin to pin, whatever the joints do; the marks taken in the boom plane."""
    case = draw(RIG, seed, 1)
    p = dict(zip(RIG.parameter_names, case.parameters, strict=True))
    p |= {"stick_pin_side": 0.0, "bucket_pin_side": 0.0}
    at = points(np.array(list(p.values())), case.placement[0], case.joints[0])
    foot = case.placement[0, :3]
    stick, bucket = at[TARGET["stick_pin"]], at[TARGET["bucket_pin"]]
    assert np.linalg.norm(stick - foot) == pytest.approx(p["boom_length"])
    assert np.linalg.norm(bucket - stick) == pytest.approx(p["stick_length"])


@modest
@given(seed=seeds, turns=st.integers(-2, 2))
def test_a_full_turn_changes_nothing(draw, seed, turns):
    """Heading and rotation count round and round."""
    case = draw(RIG, seed, 1)
    before = points(case.parameters, case.placement[0], case.joints[0])
    placement, joints = case.placement[0].copy(), case.joints[0].copy()
    placement[3] += 2 * np.pi * turns
    joints[RIG.reading_names.index("rotate")] -= 2 * np.pi * turns
    np.testing.assert_allclose(points(case.parameters, placement, joints), before, rtol=0,
                               atol=1e-12)


@modest
@given(seed=seeds)
def test_readings_for_is_the_inverse_of_posture(draw, seed):
    """Joint angles to readings and back, zeros, directions and gravity included."""
    case = draw(RIG, seed)
    posture = CHAIN.posture(case.parameters, case.placement, case.readings, jacobian=False)
    np.testing.assert_allclose(posture.joints, case.joints, rtol=0, atol=1e-9)
    again = CHAIN.readings_for(case.parameters, posture.joints)
    np.testing.assert_allclose(again, case.readings, rtol=0, atol=1e-9)


@modest
@given(seed=seeds, heading=headings)
def test_joint_angles_do_not_depend_on_the_placement(draw, seed, heading):
    """An inclinometer feels gravity, not the compass."""
    case = draw(RIG, seed)
    elsewhere = case.placement + np.array([100.0, -50.0, 3.0, heading])
    one = CHAIN.posture(case.parameters, case.placement, case.readings, jacobian=False)
    other = CHAIN.posture(case.parameters, elsewhere, case.readings, jacobian=False)
    np.testing.assert_allclose(one.joints, other.joints, rtol=0, atol=1e-12)
    np.testing.assert_allclose(one.gain, other.gain, rtol=1e-9)


@modest
@given(seed=seeds)
def test_frames_stay_orthonormal_and_right_handed(draw, seed):
    """Every named frame, to rounding."""
    case = draw(RIG, seed, 2)
    posture = CHAIN.posture(case.parameters, case.placement, case.readings)
    for name in CHAIN.depth:
        axes = rotation(posture, name)
        np.testing.assert_allclose(axes @ axes.transpose(0, 2, 1),
                                   np.broadcast_to(np.eye(3), axes.shape), atol=1e-12)
        assert np.linalg.det(axes) == pytest.approx(1.0)


@modest
@given(seed=seeds, rows=st.lists(st.tuples(st.integers(0, 6), st.integers(0, 5)), max_size=12))
def test_shots_in_any_order_and_number(draw, seed, rows):
    """A point does not depend on what else was asked: none, some, all, repeated, out of order."""
    case = draw(RIG, seed)
    posture = CHAIN.posture(case.parameters, case.placement, case.readings)
    target, pose = np.array(rows, int).reshape(-1, 2).T
    together = posture.points(target, pose)
    assert together.position.shape == (len(rows), 3)
    for i in range(len(rows)):
        alone = posture.points(target[i : i + 1], pose[i : i + 1])
        np.testing.assert_allclose(together.position[i], alone.position[0], rtol=0, atol=1e-13)
        for part in ("by_parameters", "by_placement", "by_readings"):
            np.testing.assert_allclose(getattr(together, part)[i], getattr(alone, part)[0],
                                       rtol=0, atol=1e-12)


@modest
@given(seed=seeds)
def test_derivatives_by_the_stand(draw, seed):
    """East, north, up move every point alike; heading turns it clockwise about the foot pin."""
    case = draw(RIG, seed)
    targets, poses = case.every_target_in_every_pose()
    points = CHAIN.posture(case.parameters, case.placement, case.readings).points(targets, poses)
    np.testing.assert_allclose(points.by_placement[:, :, :3],
                               np.broadcast_to(np.eye(3), (len(targets), 3, 3)), atol=1e-15)
    arm = points.position - case.placement[poses, :3]
    clockwise = np.column_stack([arm[:, 1], -arm[:, 0], 0 * arm[:, 0]])
    np.testing.assert_allclose(points.by_placement[:, :, 3], clockwise, rtol=0, atol=1e-11)


def test_a_pose_in_the_blind_zone_is_told_not_a_nan(draw):
    """Tilt axis vertical: finite numbers everywhere, and the mask names that sensor alone."""
    case = draw(RIG, 0)
    flat = np.where([p.unit == "deg" for p in RIG.parameters], 0.0, case.parameters)
    readings = np.radians([[0, 0, 30, -60, 5, 10, 0], [0, 0, 30, -60, 90, 10, 0],
                           [0, 0, 30, -60, -88, 0, 0], [0, 0, 30, -60, 70, 10, 0]])
    posture = CHAIN.posture(flat, case.placement[:4], readings)
    expected = np.zeros((4, 7), bool)
    expected[1:3, RIG.reading_names.index("tilt")] = True
    np.testing.assert_array_equal(posture.blind, expected)
    points = posture.points(np.tile(EVERY, 4), np.repeat(range(4), len(EVERY)))
    for part in (points.position, points.by_parameters, points.by_placement, points.by_readings,
                 posture.joints, posture.gain):
        assert np.isfinite(part).all()


def test_direct_joints_take_angles_as_they_are(draw):
    """No zero, no direction, no gravity: the reading is the joint angle."""
    case = draw(RIG, 4)
    direct = CHAIN.with_direct_joints
    np.testing.assert_array_equal(direct.readings_for(case.parameters, case.joints), case.joints)
    posture = direct.posture(case.parameters, case.placement, case.joints)
    np.testing.assert_array_equal(posture.joints, case.joints)
    np.testing.assert_array_equal(posture.gain, 1.0)
    zeros = [i for i, name in enumerate(RIG.parameter_names) if name.endswith("_zero")]
    assert not posture.points([4], [0]).by_parameters[0][:, zeros].any()
