"""Poses to choose from: what is kept, what is taken away and how many."""

from dataclasses import replace

import numpy as np
import pytest

from calib.calibration import HOUSE_PLACEMENT
from calib.chain.rig import rig_from_dict
from calib.chain.sensors import BLIND_GAIN
from calib.plan.candidates import (
    NoPose,
    Rule,
    _spread,
    candidate_poses,
    even_points,
    feasible,
    joints_at,
)
from calib.plan.sight import Site, _through_box, arm_pins, can_be_shot, segment_distance

COUNT = 3000


def ends(rig):
    return [rig.target_names.index(name) for name in ("edge_left", "edge_right")]


def with_limits(rig, **limits):
    """The same rig with other limits of some joints, deg."""
    return rig_from_dict({**rig.definition, "limits": {**rig.definition["limits"], **limits}})


def walked(rig, joints):
    """Posture and edge points of poses, levelled house frame."""
    readings = rig.chain.readings_for(rig.start, joints)
    level = np.tile(HOUSE_PLACEMENT, (len(joints), 1))
    posture = rig.chain.posture(rig.start, level, readings, jacobian=False)
    targets = np.array(rig.edge_targets)
    points = posture.points(np.tile(targets, len(joints)),
                            np.repeat(np.arange(len(joints)), len(targets))).position
    return posture, points.reshape(len(joints), len(targets), 3)


def test_candidates_keep_the_rules(rig):
    """Limits, ground, distance and sensors hold for every candidate; the counts add up."""
    site = Site(foot_height=1.7, clearance=0.2, nearest=3.0, highest=4.0)
    found = candidate_poses(rig, rig.start, ends(rig), site, COUNT)
    posture, edge = walked(rig, found.joints)
    for i, reading in enumerate(rig.readings):
        assert (found.joints[:, i] >= reading.low - 1e-12).all()
        assert (found.joints[:, i] <= reading.high + 1e-12).all()
    assert edge[..., 2].min() > 0.2 - 1.7 and edge[..., 2].max() < 4.0 - 1.7
    assert edge[..., 0].min() > 3.0
    assert np.abs(posture.gain).max() < 0.75 * BLIND_GAIN
    assert (found.joints[:, :2] == 0).all()
    assert len(found.joints) + sum(found.removed.values()) == found.asked == COUNT
    assert len(found.joints) > 100


def test_no_rule_takes_what_could_be_shot(rig):
    """With the rules at their loosest only blind sensors, the ground and the arm take poses."""
    site = Site(foot_height=100.0, nearest=-100.0, instrument=None, highest=None)
    found = candidate_poses(rig, rig.start, ends(rig), site, COUNT)
    taken = {why for why, n in found.removed.items() if n}
    assert taken == {Rule.BLIND, Rule.ARM,
                     Rule.NO_ROOM}


def test_spread_fills_the_limits(rig):
    """Corners just within the limits are looked at, and every tenth of every joint's range."""
    loose = with_limits(rig, boom=[30, 40], stick=[-60, -50], coupler=[10, 20], tilt=[-10, 10],
                        rotate=[-20, 20])
    driven = _spread(loose, 1000, 0)[:, 2:]
    assert len(driven) == 1000
    inset = np.radians(1.01)
    low = np.array([r.low for r in loose.readings[2:]]) + inset
    high = np.array([r.high for r in loose.readings[2:]]) - inset
    share = (driven - low) / (high - low)
    corners = np.isin(share.round(9), [0, 1]).all(1).sum()
    assert corners == 2**5
    for column in share[32:].T:
        assert np.bincount((column * 10).astype(int), minlength=10).min() > 70


def test_same_seed_same_candidates(rig):
    """Repeatable; another seed gives others."""
    one, two, other = (candidate_poses(rig, rig.start, ends(rig), Site(), 500, seed).joints
                       for seed in (3, 3, 4))
    np.testing.assert_array_equal(one, two)
    assert one.shape != other.shape or not np.allclose(one, other)


def test_limits_that_leave_nothing_are_explained(rig):
    """The error says how many poses each rule took."""
    down = with_limits(rig, boom=[-25, -20])
    with pytest.raises(NoPose, match=r"none of 500 poses .*edge in the ground: \d+"):
        candidate_poses(down, down.start, ends(down), Site(), 500)


def test_a_place_behind_the_house_sees_nothing_ahead(rig):
    """An instrument close behind the house looks at the house."""
    ahead = candidate_poses(rig, rig.start, ends(rig), Site(), COUNT)
    behind = Site(instrument=(-8.0, 0.0, -0.3))
    try:
        found = candidate_poses(rig, rig.start, ends(rig), behind, COUNT).removed
    except NoPose as error:
        found = error.candidates.removed
    why = Rule.HIDDEN
    assert found[why] > 5 * max(1, ahead.removed[why])


def test_line_of_sight_through_the_house():
    """By hand: the box reaches from 4 m behind the pin to 0.3 m ahead, 3 m wide, up to 1.3 m."""
    site = Site()
    point = np.array([[8.0, 0, 0], [8.0, 0, 8.0], [8.0, 4.0, 0], [-10.0, 3.0, 0.0]])
    np.testing.assert_array_equal(
        _through_box(point, np.array([-10.0, 0, 0]), site), [True, False, True, False])
    np.testing.assert_array_equal(
        _through_box(point, np.array([-10.0, 2.0, 0]), site), [True, False, False, False])


def test_line_of_sight_ends_at_the_target():
    """A target before the house, or with the house behind the instrument, is seen."""
    ahead, before = np.array([[5.0, 0, 0]]), np.array([[-6.0, 0, 0]])
    assert not _through_box(before, np.array([-10.0, 0, 0]), Site())[0]
    assert not _through_box(ahead, np.array([2.0, 0, 0]), Site())[0]
    assert _through_box(ahead, np.array([-3.0, 0, 0]), Site())[0]


def test_every_corner_of_a_candidate_is_seen(rig):
    """Past boom and stick, and not along the edge; closer limits take more poses."""
    site = Site(instrument=(9.0, 3.0, 0.5))
    found = candidate_poses(rig, rig.start, ends(rig), site, COUNT)
    posture, edge = walked(rig, found.joints)
    left, right = edge[:, 0], edge[:, -1]
    eye = np.array(site.instrument)
    along, sight = right - left, (left + right) / 2 - eye
    cosine = np.abs(np.einsum("ni,ni->n", along, sight)) / (
        np.linalg.norm(along, axis=1) * np.linalg.norm(sight, axis=1))
    assert np.degrees(np.arccos(cosine)).min() > 14.5
    s = np.linspace(0, 1, 200)[:, None]
    for pins in (("house", "boom_end"), ("boom_end", "stick_end")):
        first, last = (posture.positions[name] for name in pins)
        for corner in (left, right):
            for i in range(0, len(corner), 25):
                ray = eye + s * (corner[i] - eye)
                link = first[i] + s * (last[i] - first[i])
                apart = np.linalg.norm(ray[:, None] - link[None], axis=2).min()
                assert apart > site.arm_width / 2 - 1e-9
    wider = candidate_poses(rig, rig.start, ends(rig), replace(
        site, least_angle=np.radians(40), arm_width=2.0), COUNT)
    for why in (Rule.END_ON,
                Rule.HIDDEN):
        assert wider.removed[why] > found.removed[why] > 0


def test_distance_of_segments():
    """Against brute force over both segments, crossing, parallel and end to end."""
    rng = np.random.default_rng(8)
    ends = rng.uniform(-2, 2, (4, 60, 3))
    ends[2, 0], ends[3, 0] = ends[0, 0] + [0, 0, 1], ends[1, 0] + [0, 0, 1]
    ends[1, 1] = ends[0, 1]
    s = np.linspace(0, 1, 401)
    first = ends[0][:, None] + s[None, :, None] * (ends[1] - ends[0])[:, None]
    second = ends[2][:, None] + s[None, :, None] * (ends[3] - ends[2])[:, None]
    apart = np.sqrt(np.maximum(
        (first**2).sum(2)[:, :, None] + (second**2).sum(2)[:, None]
        - 2 * first @ second.transpose(0, 2, 1), 0)).min((1, 2))
    np.testing.assert_allclose(segment_distance(*ends), apart, atol=6e-3)


def test_arm_ends_at_the_bucket_pin(rig):
    """The long links run from the boom foot over the stick pin to the bucket pin."""
    posture, _ = walked(rig, np.radians([[0, 0, 40, -90, 30, 10, 20.0]]))
    pins = arm_pins(posture)
    for pin, frame in zip(pins, ("house", "boom_end", "stick_end"), strict=True):
        np.testing.assert_allclose(pin, posture.positions[frame], atol=1e-12)


def test_feasible_agrees_with_the_candidates(rig):
    """Every candidate is feasible; beyond a limit it is not, but a full turn has no limit."""
    found = candidate_poses(rig, rig.start, ends(rig), Site(), 1000)
    assert feasible(rig, rig.start, found.joints, ends(rig), Site()).all()
    beyond = found.joints.copy()
    beyond[:, 5] = rig.readings[5].high + 0.01
    assert not feasible(rig, rig.start, beyond, ends(rig), Site()).any()
    turned = found.joints.copy()
    turned[:, 6] += 2 * np.pi
    assert feasible(rig, rig.start, turned, ends(rig), Site()).all()


def test_reserve_is_there_to_be_used(rig):
    """The clearance that a plan keeps may be used up in the field."""
    site = Site(clearance=0.5)
    near = candidate_poses(rig, rig.start, ends(rig), replace(site, clearance=0.0), COUNT).joints
    _, edge = walked(rig, near)
    low = near[edge[..., 2].min(1) < 0.4 - site.foot_height]
    assert len(low) > 10
    assert feasible(rig, rig.start, low, ends(rig), site).all()


def test_every_reading_has_room(rig):
    """Each driven reading may move by a degree, up and down, with the others as they are."""
    found = candidate_poses(rig, rig.start, ends(rig), Site(), COUNT)
    assert found.removed[Rule.NO_ROOM] > 0
    readings = rig.chain.readings_for(rig.start, found.joints)
    for i in range(2, 7):
        ways = []
        for step in np.radians([-1.0, 1.0]):
            moved = readings + step * (np.arange(7) == i)
            ways.append(feasible(rig, rig.start, joints_at(rig, rig.start, moved), ends(rig),
                                 Site()))
        assert np.all(ways)


def test_both_ends_of_a_pin_are_seen_and_what_is_behind_the_boom_is_not(rig):
    """A line of sight leaves out the member a target sits on, and no other."""
    site = Site(instrument=(9.0, 6.0, -0.5))
    found = candidate_poses(rig, rig.start, ends(rig), site, COUNT)
    names = ["boom_foot_left", "boom_foot_right", "stick_pin", "bucket_pin", "edge_left"]
    mask = can_be_shot(rig, rig.start, found.joints,
                       [rig.target_names.index(name) for name in names], site)
    assert mask.all()
    # From the other side of the boom, close to it, the edge is hidden in some pose.
    across = can_be_shot(rig, rig.start, found.joints, ends(rig), replace(
        site, instrument=(1.0, 0.3, 0.5)))
    assert not across.all()


def test_what_no_crew_can_reach_is_not_proposed(rig):
    """A pin high up can be pointed at; with a pole alone it must be low enough."""
    pole = rig_from_dict({**rig.definition, "targets": {**rig.definition["targets"], "stick_pin": {
        **rig.definition["targets"]["stick_pin"], "shot_by": ["pole"]}}})
    found = candidate_poses(rig, rig.start, ends(rig), Site(), COUNT)
    pin = [rig.target_names.index("stick_pin")]
    assert can_be_shot(rig, rig.start, found.joints, pin, Site()).all()
    reached = can_be_shot(pole, pole.start, found.joints, pin, Site())[:, 0]
    posture, _ = walked(rig, found.joints)
    height = posture.positions["boom_end"][:, 2] + Site().foot_height
    np.testing.assert_array_equal(reached, height <= 2.0)
    assert reached.sum() < len(reached)


@pytest.mark.parametrize("dimensions", [1, 3, 5, 6])
def test_points_fill_the_cube_more_evenly_than_chance(dimensions):
    """The centred discrepancy, by scipy, is a third of that of random points, or less."""
    from scipy.stats import qmc

    points = even_points(1500, dimensions, seed=4)
    chance = [qmc.discrepancy(np.random.default_rng(k).random((1500, dimensions)))
              for k in range(3)]
    assert points.shape == (1500, dimensions) and 0 <= points.min() < points.max() < 1
    assert qmc.discrepancy(points) < min(chance) / 3
    assert not np.array_equal(points, even_points(1500, dimensions, seed=5))
