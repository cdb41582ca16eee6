"""A house that slews, axes that are not square: a few lines of a rig file each."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calib.calibration import solve
from calib.chain.rig import rig_from_dict
from calib.chain.schema import RigError
from calib.judge.structure import structure
from calib.simulate import simulate

SDS = {
    "shots": {"sd": {"horizontal": 0.002, "vertical": 0.002}},
    "readings": {"sd": {"house_pitch": 0.03, "house_roll": 0.03, "boom": 0.05, "stick": 0.05,
                        "coupler": 0.05, "tilt": 0.06, "rotate": 0.1, "slew": 0.05}},
}


def length(start, means):
    return {"unit": "m", "start": start, "least": -3, "most": 3, "means": means}


def turn(means):
    return {"unit": "deg", "start": 0, "least": -5, "most": 5, "means": means}


SLEW = {
    "template": "tilt_rotator",
    "parameters": {"swing_axis_behind": length(0.3, "boom foot pin back to the swing axis"),
                   "swing_axis_side": length(0.05, "boom plane left to the swing axis")},
    "sensors": {"slew": {"kind": "slew", "uses": {"pitch": "house_pitch", "roll": "house_roll"},
                         "means": "house turned counter-clockwise on its tracks"}},
    "motions": [
        {"rotate": "z", "joint": "slew", "after": "stand"},
        {"translate": "x", "by": {"swing_axis_behind": 1}, "at": "house"},
        {"translate": "y", "by": {"swing_axis_side": -1}, "at": "house"},
    ],
    "limits": {"slew": [-120, 120]},
}

#: Axes that are turned a little out of square; what the edge tells of them, level on one stand.
TURNS = {
    "stick pin turned left": [{"rotate": "z", "by": {"odd": 1}, "before": "stick"}],
    "stick pin tipped": [{"rotate": "x", "by": {"odd": 1}, "before": "stick"}],
    "bucket pin turned left": [{"rotate": "z", "by": {"odd": 1}, "before": "coupler"}],
    "rotation axis leaning left": [{"rotate": "x", "by": {"odd": 1}, "before": "rotator"}],
    "house sensor turned": [{"rotate": "z", "by": {"odd": 1}, "at": "house"}],
    "boom foot pin tipped": [{"rotate": "x", "by": {"odd": 1}, "at": "house"}],
}


def crooked(motions):
    return {"template": "tilt_rotator", "motions": motions, "parameters": {"odd": turn("odd")}}


@pytest.mark.parametrize("data", [SLEW, *(crooked(m) for m in TURNS.values())])
@pytest.mark.parametrize("seed", [0, 1])
def test_derivatives_and_inverse(data, seed, draw, assert_derivatives):
    case = draw(rig_from_dict(data), seed)
    assert_derivatives(case.chain, case.parameters, case.placement, case.readings,
                       *case.every_target_in_every_pose())
    posture = case.chain.posture(case.parameters, case.placement, case.readings, jacobian=False)
    np.testing.assert_allclose(posture.joints, case.joints, rtol=0, atol=1e-12)


def test_what_hangs_on_a_frame_comes_along():
    """Motions `at` a frame move what is on it, in their order, and not what senses it."""
    rig = rig_from_dict(SLEW)
    assert [m.frame for m in rig.chain.motions if m.frame].count("house") == 1
    readings = np.zeros((1, 8))
    readings[0, rig.reading_names.index("slew")] = np.pi / 2
    posture = rig.chain.posture(rig.start, np.array([[0, 0, 0, np.pi / 2]]), readings)
    np.testing.assert_allclose(posture.positions["house"][0], [0.05, 0.3, 0.0], atol=1e-15)


@pytest.mark.parametrize(("pitch", "roll"), [(0.0, 0.0), (6.0, 0.0), (-4.0, 7.0)])
def test_a_slew_on_a_slope(pitch, roll):
    """Tracks on a slope: turned about the tipped axis the house has another pitch and roll, and
    its nose points where rotation matrices say."""
    chain = rig_from_dict(SLEW).chain
    tracks = Rotation.from_euler("ZYX", np.radians([30.0, -pitch, roll]))
    for slew in np.radians([-170, -75, 0, 20, 110]):
        house = tracks * Rotation.from_rotvec([0, 0, slew])
        x, y, z = house.as_matrix().T
        own_pitch, own_roll = np.arcsin(x[2]), np.arctan2(y[2], z[2])
        readings = np.zeros((1, 8))
        readings[0, [0, 1]] = own_pitch, own_roll
        readings[0, 7] = slew
        placement = np.array([[0, 0, 0, np.radians(90 - 30.0)]])
        posture = chain.posture(rig_from_dict(SLEW).start, placement, readings)
        np.testing.assert_allclose(np.stack(posture.columns["house"], axis=2)[0],
                                   house.as_matrix(), atol=1e-12)


@pytest.mark.parametrize("optional", [False, True])
def test_a_swing_axis_is_solved(optional):
    """By an encoder, or with the slew unknown in all but the first pose: the shots tell it."""
    data = SLEW | {"sensors": {"slew": SLEW["sensors"]["slew"] | {"optional": optional}}} | SDS
    rig, errors = rig_from_dict(data), []
    own = [rig.parameter_names.index(f"swing_axis_{name}") for name in ("behind", "side")]
    for seed in range(12):
        run, truth = simulate(rig, np.random.default_rng(50 + seed), poses=20, taped=False)
        assert np.isinf(run.poses.sd[:, -1]).sum() == (19 if optional else 0)
        solution = solve(run)
        size = np.sqrt(np.diag(solution.covariance)[own])
        assert (size < 0.02).all()
        errors.append((solution.parameters - truth.parameters)[own] / size)
        if optional:
            off = solution.adjusted_readings[:, -1] - truth.readings[:, -1]
            assert np.abs(np.degrees(np.angle(np.exp(1j * off)))).max() < 1.0
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(1.0, abs=0.4)


@pytest.mark.parametrize(("name", "told_apart_by_all"), [
    ("stick pin turned left", True), ("stick pin tipped", True),
    ("bucket pin turned left", True), ("rotation axis leaning left", True),
    ("house sensor turned", False), ("boom foot pin tipped", True)])
def test_what_shots_tell_of_an_axis(name, told_apart_by_all):
    """A turned house sensor shows only on a slope: on level ground it is the stand's heading."""
    found = structure(rig_from_dict(crooked(TURNS[name]) | SDS | {"readings": {}}),
                      np.random.default_rng(0))
    assert (not found.by_all) == told_apart_by_all


@pytest.mark.parametrize(("change", "key", "found"), [
    ({"uses": {"pitch": "house_pitch"}}, "sensors.slew.uses.roll", "None"),
    ({"uses": {"pitch": "house_pitch", "roll": "boom"}}, "sensors.slew.uses.roll", "'boom'"),
])
def test_faults_of_a_slew(change, key, found):
    data = SLEW | {"sensors": {"slew": SLEW["sensors"]["slew"] | change}}
    with pytest.raises(RigError) as refused:
        rig_from_dict(data)
    assert (key, found) in [p[:2] for p in refused.value.problems]


def test_a_frame_of_its_own_for_a_motion_at_a_frame():
    with pytest.raises(RigError) as refused:
        rig_from_dict(crooked([{"rotate": "z", "by": {"odd": 1}, "at": "house", "frame": "new"}]))
    assert refused.value.problems[0][:2] == ("motions.0.frame", "'new'")
