"""Driving order and time in the field."""

from dataclasses import replace
from itertools import pairwise, permutations

import numpy as np
import pytest

from calib.plan.order import field_minutes, shortest_tour, travel_seconds


def length(cost, tour):
    return sum(cost[a, b] for a, b in pairwise(tour))


def test_travel_is_that_of_the_slowest_joint(rig):
    """By hand: 16 deg of boom at 8 deg/s and 60 deg of rotate at 40 deg/s take 2 s."""
    joints = np.radians([[0, 0, 10, -90, 0, 0, 0], [0, 0, 26, -90, 0, 0, 60.0],
                         [3, 0, 26, -90, 0, 0, 60.0]])
    cost = travel_seconds(rig, joints)
    assert cost[0, 1] == cost[1, 0] == pytest.approx(2.0)
    assert cost[1, 2] == 0 == cost[2, 2]  # nobody drives the pitch of the house


@pytest.mark.parametrize("seed", range(12))
def test_tour_is_near_the_shortest(seed):
    """Seven poses: every pose once, within 5 % of the best of all orders, mostly equal."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 1, (7, 3))
    cost = np.abs(places[:, None] - places[None]).max(2)
    tour = shortest_tour(cost)
    assert sorted(tour) == list(range(7))
    best = min(length(cost, order) for order in permutations(range(7)))
    assert length(cost, tour) <= 1.05 * best + 1e-12


def test_no_stretch_turned_round_shortens_a_tour():
    """Forty poses: the tour is as good as reversing one stretch can make it."""
    places = np.random.default_rng(4).uniform(0, 1, (40, 3))
    cost = np.abs(places[:, None] - places[None]).max(2)
    tour = shortest_tour(cost)
    for i in range(40):
        for j in range(i + 1, 40):
            other = np.concatenate([tour[:i], tour[i : j + 1][::-1], tour[j + 1 :]])
            assert length(cost, other) > length(cost, tour) - 1e-9


def test_tour_of_many_beats_their_given_order():
    """Forty places on a line, shuffled: the way is that of the line."""
    rng = np.random.default_rng(1)
    at = rng.permutation(40).astype(float)
    tour = shortest_tour(np.abs(at[:, None] - at[None]))
    np.testing.assert_array_equal(np.abs(np.diff(at[tour])), 1)


@pytest.mark.parametrize("n", [1, 2])
def test_tours_without_a_choice(n):
    """One or two poses stay as they are."""
    np.testing.assert_array_equal(shortest_tour(np.zeros((n, n))), np.arange(n))


def test_field_time_by_hand(rig):
    """Three poses of two shots, one change of stand: poses, shots, driving, moving."""
    joints = np.radians([[0, 0, 10, -90, 0, 0, 0], [0, 0, 26, -90, 0, 0, 0],
                         [0, 0, -20, -90, 0, 0, 0.0]])
    rig = replace(rig, effort=rig.effort.model_copy(update={"settle": 2.0, "stand": 12.0}))
    same = field_minutes(rig, joints, np.zeros(3, int), 3.0)
    assert same.total == pytest.approx(3 * 3.0 + (16 + 46) / 8 / 60)
    assert (same.settling, same.shooting, same.moving) == (6.0, 3.0, 0.0)
    moved = field_minutes(rig, joints, np.array([0, 0, 1]), 3.0)
    assert moved.total == pytest.approx(3 * 3.0 + 16 / 8 / 60 + 12)
    assert moved.moving == 12.0


def test_a_shot_takes_what_its_way_of_shooting_takes(rig):
    """A corner needs a walk, a pin does not; what the rig file says of a target comes first."""
    effort = rig.effort.model_copy(
        update={"walk": 1.0, "point": 0.2, "targets": {"stick_pin": 0.7}})
    by_name = dict(zip(rig.target_names, rig.targets, strict=True))
    assert effort.of_shot(by_name["edge_left"]) == 1.2
    assert effort.of_shot(by_name["bucket_pin"]) == 0.2
    assert effort.of_shot(by_name["stick_pin"]) == 0.7
