"""Forward kinematics against pytransform3d, composed from the description of the machine.

The composition here follows the words of the measurement model (each member's frame, which way
each joint turns, what each sensor measures), not the rig file.
"""

from functools import reduce

import numpy as np
import pytest
from pytransform3d.rotations import active_matrix_from_angle
from pytransform3d.transformations import concat, transform, transform_from

from calib.chain.calibrated import Sensor
from calib.chain.chain import Chain, Target
from calib.chain.motion import Motion
from calib.chain.rig import rig_from_dict, rig_from_template


def rotation(posture, frame):
    """Axes of a frame as columns, in the site frame, shape (n_poses, 3, 3)."""
    return np.stack(posture.columns[frame], axis=2)

X, Y, Z = 0, 1, 2


def moved(x=0.0, y=0.0, z=0.0):
    """Translation."""
    return transform_from(np.eye(3), [x, y, z])


def turned(basis, angle):
    """Rotation about a basis vector, right-hand rule."""
    return transform_from(active_matrix_from_angle(basis, angle), np.zeros(3))


def compose(*steps):
    """Outermost first: site <- house <- boom ..."""
    return reduce(lambda so_far, step: concat(step, so_far), steps)


def frames(p, q, stand):
    """site <- frame of every member, from parameters `p`, joint angles `q` and a placement."""
    east, north, up, heading = stand
    to = {}
    to["house"] = compose(moved(east, north, up), turned(Z, np.pi / 2 - heading),
                          turned(Y, -q["house_pitch"]), turned(X, q["house_roll"]))
    to["boom"] = compose(to["house"], turned(Y, -q["boom"]))
    to["boom_end"] = compose(to["boom"], moved(x=p["boom_length"]))
    to["stick"] = compose(to["boom_end"], turned(Y, -q["stick"]))
    to["stick_end"] = compose(to["stick"], moved(x=p["stick_length"]))
    to["coupler"] = compose(to["stick_end"], turned(Y, -q["coupler"]))
    to["tilt_axis"] = compose(
        to["coupler"],
        moved(p["rotation_axis_ahead"], p["tilt_axis_side"], -p["tilt_axis_drop"]),
        turned(Z, p["tilt_axis_yaw"]))
    to["tilt_member"] = compose(to["tilt_axis"], turned(X, q["tilt"]))
    to["rotator"] = compose(to["tilt_member"], moved(y=p["rotation_axis_side"]),
                            turned(Y, p["rotation_axis_lean"]), turned(Z, q["rotate"]))
    return to


def local_points(p):
    """Frame and position of every target."""
    def corner(f):
        width, skew = f * p["edge_width"], p["edge_skew"]
        return "rotator", (p["edge_reach"], p["edge_side"] + width * np.cos(skew),
                           -p["edge_drop"] + width * np.sin(skew))

    return {
        "boom_foot_left": ("house", (0, p["boom_foot_width"] / 2, 0)),
        "boom_foot_right": ("house", (0, -p["boom_foot_width"] / 2, 0)),
        "stick_pin": ("boom_end", (0, p["stick_pin_side"], 0)),
        "bucket_pin": ("stick_end", (0, p["bucket_pin_side"], 0)),
        "edge_left": corner(0.5), "edge_mid": corner(0.0), "edge_right": corner(-0.5),
    }


def inclination(site_from_member):
    """Of the x axis in the plane normal to y: what an inclinometer in the boom plane reads."""
    x_axis, y_axis = site_from_member[:3, X], site_from_member[:3, Y]
    vertical = np.array([0, 0, 1]) - y_axis[2] * y_axis
    vertical /= np.linalg.norm(vertical)
    return np.arctan2(x_axis @ vertical, x_axis @ np.cross(y_axis, vertical))


def calibrated_angles(to, q):
    """What each sensor would show without its zero."""
    return {
        "house_pitch": q["house_pitch"], "house_roll": q["house_roll"],
        **{name: inclination(to[name]) for name in ("boom", "stick", "coupler")},
        "tilt": np.arcsin(to["tilt_member"][2, Y]),
        "rotate": q["rotate"],
    }


@pytest.fixture(scope="module")
def standard():
    """The shipped tilt rotator."""
    return rig_from_template("tilt_rotator")


def expected_positions(case, targets, poses):
    """All the points by pytransform3d."""
    p = dict(zip(case.rig.parameter_names, case.parameters, strict=True))
    local, positions = local_points(p), []
    for t, i in zip(targets, poses, strict=True):
        q = dict(zip(case.rig.reading_names, case.joints[i], strict=True))
        frame, point = local[case.rig.target_names[t]]
        to_site = frames(p, q, case.placement[i])[frame]
        positions.append(transform(to_site, [*point, 1.0])[:3])
    return np.array(positions)


@pytest.mark.parametrize("seed", range(4))
def test_positions_from_joint_angles(standard, draw, seed):
    """Every target in every pose, every parameter off its template, to 1e-12 m."""
    case = draw(standard, seed)
    targets, poses = case.every_target_in_every_pose()
    posture = case.chain.with_direct_joints.posture(case.parameters, case.placement, case.joints)
    np.testing.assert_allclose(posture.points(targets, poses).position,
                               expected_positions(case, targets, poses), rtol=0, atol=1e-12)
    np.testing.assert_array_equal(posture.joints, case.joints)


@pytest.mark.parametrize("seed", range(4))
def test_positions_from_readings(standard, draw, seed):
    """The readings are what the sensors of the composed machine would show; again to 1e-12 m."""
    case = draw(standard, seed)
    rig = case.rig
    p = dict(zip(rig.parameter_names, case.parameters, strict=True))
    readings = np.empty_like(case.joints)
    for i, joints in enumerate(case.joints):
        q = dict(zip(rig.reading_names, joints, strict=True))
        shown = calibrated_angles(frames(p, q, case.placement[i]), q)
        readings[i] = [(shown[r.name] - p[r.zero]) * r.direction for r in rig.readings]
    np.testing.assert_allclose(
        np.angle(np.exp(1j * (case.chain.readings_for(case.parameters, case.joints) - readings))),
        0, atol=1e-12)
    targets, poses = case.every_target_in_every_pose()
    posture = case.chain.posture(case.parameters, case.placement, readings)
    np.testing.assert_allclose(posture.points(targets, poses).position,
                               expected_positions(case, targets, poses), rtol=0, atol=1e-12)


def test_axes_of_every_frame(standard, draw):
    """The rotation of each named frame in the site frame."""
    case = draw(standard, 1)
    p = dict(zip(case.rig.parameter_names, case.parameters, strict=True))
    posture = case.chain.posture(case.parameters, case.placement, case.readings)
    for i, joints in enumerate(case.joints):
        q = dict(zip(case.rig.reading_names, joints, strict=True))
        for name, to_site in frames(p, q, case.placement[i]).items():
            np.testing.assert_allclose(rotation(posture, name)[i], to_site[:3, :3], rtol=0,
                                       atol=1e-12)


def test_without_jacobian_the_positions_are_the_same(standard, draw):
    """Leaving derivatives out changes nothing else."""
    case = draw(standard, 2)
    targets, poses = case.every_target_in_every_pose()
    with_it = case.chain.posture(case.parameters, case.placement, case.readings)
    without = case.chain.posture(case.parameters, case.placement, case.readings, jacobian=False)
    points = without.points(targets, poses)
    np.testing.assert_array_equal(points.position, with_it.points(targets, poses).position)
    for part in (points.by_parameters, points.by_placement, points.by_readings):
        assert part.shape == (*points.position.shape, 0)


# --- A chain of five joints that four other libraries agree on -----------------------------------
# base -> boom t(.25, 0, 1.9) about y; boom -> stick t(5.7, 0, 0) about y; stick -> coupler
# t(2.9, .01, 0) about y; coupler -> tilt t(.15, .02, -.35) Ry(.02) about x; tilt -> rotation
# t(0, 0, -.3) Rx(.01) about z; edge (.6, .75, -1.1). Computed once with pinocchio,
# roboticstoolbox, pytransform3d and ikpy, which agree to 2e-15.

ANGLES = np.radians([-35.0, 75, 40, 12, -25])
EDGE = [5.695432119558, 0.747764780051, 2.050174094519]
AXES = [[0.048597261986, 0.259985287338, 0.964388903138],
        [-0.412483711639, 0.884574174207, -0.217682608303],
        [-0.909667793076, -0.387215935484, 0.150227579183]]
VELOCITY = [[0.150174094519, -3.119211592682, -1.255127524591, 0.709211557621, 0.119543225914],
            [0, 0, 0, 1.274298257939, 0.840107288254],
            [-5.445432119558, -0.776265467111, 1.445263417935, 0.110477355228, 0.449921283517]]
TILT_AXIS = [0.153918607180, 0, -0.988083530054]
ROTATION_AXIS = [0.964388903138, -0.217682608303, 0.150227579183]
JOINTS = ("boom", "stick", "coupler", "tilt", "rotate")


def compiled():
    """Built from motions."""
    def move(x=0.0, y=0.0, z=0.0):
        return [Motion(False, axis, amount) for axis, amount in enumerate((x, y, z)) if amount]

    def joint(axis, name):
        return Motion(True, axis, joint=name, frame=name)

    return Chain(
        motions=[
            *move(.25, 0, 1.9), joint(Y, "boom"), *move(5.7), joint(Y, "stick"),
            *move(2.9, .01), joint(Y, "coupler"), *move(.15, .02, -.35), Motion(True, Y, .02),
            joint(X, "tilt"), *move(0, 0, -.3), Motion(True, X, .01), joint(Z, "rotate"),
        ],
        parameters=[], sensors=[Sensor(name, "joint") for name in JOINTS],
        targets=[Target("edge", "rotate", tuple(move(.6, .75, -1.1)), "")],
    )


def from_dict():
    """Built from the content of a rig file, its fixed numbers as parameters."""
    return rig_from_dict({
        "name": "five_joints", "title": "Five joints",
        "parameters": {
            "foot_up": {"unit": "m", "start": 1.9, "means": "base up to the boom foot"},
            "turned": {"unit": "deg", "start": np.degrees(.02), "means": "coupler to tilt axis"},
        },
        "sensors": {name: {"kind": "joint", "means": name} for name in JOINTS},
        "motions": [
            {"translate": "x", "plus": .25}, {"translate": "z", "by": {"foot_up": 1}},
            {"rotate": "y", "joint": "boom", "frame": "boom"}, {"translate": "x", "plus": 5.7},
            {"rotate": "y", "joint": "stick"}, {"translate": "x", "plus": 2.9},
            {"translate": "y", "plus": .01}, {"rotate": "y", "joint": "coupler"},
            {"translate": "x", "plus": .15}, {"translate": "y", "plus": .02},
            {"translate": "z", "plus": -.35}, {"rotate": "y", "by": {"turned": 1}},
            {"rotate": "x", "joint": "tilt", "frame": "tilt"}, {"translate": "z", "plus": -.3},
            {"rotate": "x", "plus": np.degrees(.01)},
            {"rotate": "z", "joint": "rotate", "frame": "rotate"},
        ],
        "targets": {"edge": {"frame": "rotate", "means": "edge point", "motions": [
            {"translate": "x", "plus": .6}, {"translate": "y", "plus": .75},
            {"translate": "z", "plus": -1.1}]}},
        "envelope": {"target": "edge", "sweep": {"tilt": [-10, 10, 3]},
                     "reaches": [{"name": "one", "joints": {"boom": 10}}]},
    }).chain


@pytest.mark.parametrize("chain", [compiled(), from_dict()], ids=["compiled", "from a rig file"])
def test_regression_chain(chain):
    """Edge, axes and velocities, to the 1e-12 they are given with."""
    parameters = np.array([1.9, .02])[: len(chain.parameters)]
    posture = chain.posture(parameters, np.zeros((1, 4)), ANGLES[None])
    points = posture.points([0], [0])
    np.testing.assert_allclose(points.position[0], EDGE, rtol=0, atol=1e-12)
    np.testing.assert_allclose(rotation(posture, "rotate")[0], AXES, rtol=0, atol=1e-12)
    np.testing.assert_allclose(points.by_readings[0], VELOCITY, rtol=0, atol=1e-12)
    # A frame turned about an axis of its own keeps that axis.
    np.testing.assert_allclose(rotation(posture, "boom")[0, :, Y], [0, 1, 0], rtol=0, atol=1e-12)
    np.testing.assert_allclose(rotation(posture, "tilt")[0, :, X], TILT_AXIS, rtol=0, atol=1e-12)
    np.testing.assert_allclose(rotation(posture, "rotate")[0, :, Z], ROTATION_AXIS, rtol=0,
                               atol=1e-12)


def test_regression_chain_by_a_parameter():
    """A length moves the edge along its axis; an angle between joints turns it like a joint."""
    points = from_dict().posture(np.array([1.9, .02]), np.zeros((1, 4)), ANGLES[None]).points(
        [0], [0])
    np.testing.assert_allclose(points.by_parameters[0, :, 0], [0, 0, 1], rtol=0, atol=1e-15)
    # About the y axis through the tilt axis's origin: y x (edge - origin).
    origin = compose(
        moved(.25, 0, 1.9), turned(Y, ANGLES[0]), moved(5.7), turned(Y, ANGLES[1]),
        moved(2.9, .01), turned(Y, ANGLES[2]), moved(.15, .02, -.35))[:3, 3]
    np.testing.assert_allclose(points.by_parameters[0, :, 1],
                               np.cross([0, 1, 0], EDGE - origin), rtol=0, atol=1e-11)
