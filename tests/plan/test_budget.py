"""Within minutes: gains, swaps and refills against every possible design (a search of our own)."""

from itertools import combinations

import numpy as np
import pytest

from calib.plan.bound import least_variance
from calib.plan.budget import THRIFTS, Design, bought, refilled, shortlisted, swapped, trimmed
from calib.plan.bundles import items_of, menu_of
from calib.plan.exchange import Pool, variance_gain

P, R = 3, 1
BUDGET = 9.0


def costly_pool(seed, poses=7):
    """Two bundles in each of a few poses: one observation for less, two for more minutes."""
    rng = np.random.default_rng(seed)
    rows = rng.normal(0, 1, (poses, 2, P + R))
    alone = rows.copy()
    alone[:, 1] = 0.0
    cheap = rng.uniform(1.0, 2.0, poses)
    return Pool(
        np.concatenate([alone, rows]), 0.3 * np.eye(P + R), np.arange(P + R)[None],
        np.repeat([1, 2], poses), np.tile(np.arange(poses), 2),
        np.concatenate([cheap, cheap + rng.uniform(0.2, 1.5, poses)]))


def value_of(information):
    return float(np.trace(np.linalg.inv(information)[:P, :P]))


def every_design(pool):
    """All that fit, no pose twice."""
    for size in range(1, 8):
        for chosen in combinations(range(len(pool.rows)), size):
            chosen = np.array(chosen)
            if pool.minutes[chosen].sum() <= BUDGET and \
                    len(set(pool.pose[chosen])) == size:
                yield chosen


def searched(pool):
    """The best of all starts, each swapped and refilled."""
    gain, everything, found = variance_gain(np.eye(P)), np.arange(len(pool.rows)), []
    for thrift in THRIFTS:
        design = bought(pool, Design((), ()), gain, BUDGET, thrift=thrift)
        design = swapped(pool, design, gain, BUDGET, everything)
        found.append(refilled(pool, design, gain, BUDGET, everything, value_of))
    return min(found, key=lambda design: value_of(design.information(pool)))


@pytest.mark.parametrize("seed", range(10))
def test_search_comes_near_the_best_of_all(seed):
    """Exhaustive: within 2 % of the least mean variance of all designs that fit; none better."""
    pool = costly_pool(seed)
    best = min(value_of(pool.information(d, np.zeros(len(d), int))) for d in every_design(pool))
    design = searched(pool)
    assert design.minutes(pool) <= BUDGET + 1e-9
    assert len(set(pool.pose[list(design.candidates)])) == len(design.candidates)
    assert best * (1 - 1e-9) <= value_of(design.information(pool)) <= 1.02 * best


@pytest.mark.parametrize("seed", range(10))
def test_no_design_in_these_minutes_is_better_than_the_bound(seed):
    """Exhaustive: the bound with costs lies below all of them, and not far below."""
    pool = costly_pool(seed)
    designs = [d for d in every_design(pool) if pool.minutes[d].sum() > BUDGET - 0.4]
    best = min(designs, key=lambda d: value_of(pool.information(d, np.zeros(len(d), int))))
    groups = np.zeros(len(best), int)
    least = least_variance(pool, best, groups, np.eye(P))
    spent = pool.minutes[best].sum()
    for d in every_design(pool):
        if pool.minutes[d].sum() <= spent:
            assert value_of(pool.information(d, np.zeros(len(d), int))) > least * (1 - 1e-9)
    # A pose may be used again and again in fractions: the bound is that much lower.
    assert least > 0.5 * value_of(pool.information(best, groups))


def test_what_has_to_go_costs_least():
    """Trimmed by one place, the rest is the best of all that lack one, per minute."""
    pool = costly_pool(3)
    design = searched(pool)
    less = trimmed(pool, design, design.minutes(pool) - 0.1, value_of)
    rates = [(value_of(design.without(k).information(pool)) - value_of(design.information(pool)))
             / pool.minutes[c] for k, c in enumerate(design.candidates)]
    assert less == design.without(int(np.argmin(rates)))


def test_shortlist_keeps_the_design():
    """What is in a design can stay in it."""
    pool = costly_pool(1)
    design = searched(pool)
    assert set(design.candidates) <= set(
        shortlisted(pool, design, variance_gain(np.eye(P)), 4).tolist())


def test_items_and_menu(rig):
    """The edge, the foot pin's ends, and each other pin: every choice of them, none empty."""
    names = ["edge_left", "edge_right", "stick_pin", "boom_foot_left", "boom_foot_right"]
    items = items_of(rig, [rig.target_names.index(name) for name in names])
    assert items == [(0, 1), (2,), (3, 4)]
    menu = menu_of(items)
    assert len(menu) == 7 == len(set(menu)) and menu[0] == ((0, 1),)
    assert len(menu_of([(k,) for k in range(7)])) == 7 + 21 + 1
