"""Identifiability in words, read as a person would."""

import numpy as np
import pytest

from calib.adjust.observability import Observability
from calib.calibration import solve
from calib.judge.identify import identifiability
from calib.report.words.weak import weak_says
from calib.simulate import simulate


def narrow(rig, seed=0, tilt=0.0, taped=True):
    """A run with the tilt rotator never tilted and hardly turned."""
    rng = np.random.default_rng(seed)
    joints = np.zeros((24, 7))
    joints[:, 2] = np.radians(rng.uniform(20, 50, 24))
    joints[:, 3] = np.radians(rng.uniform(-120, -70, 24))
    joints[:, 4] = -joints[:, 2] - joints[:, 3] - np.radians(15 + rng.uniform(-5, 5, 24))
    joints[:, 5] = np.radians(rng.uniform(-tilt, tilt, 24))
    joints[:, 6] = np.radians(rng.uniform(-5, 5, 24))
    return simulate(rig, rng, joints=joints, taped=taped)[0]


@pytest.fixture(scope="module")
def weak_solution(rig):
    """Solved with the help of the tape."""
    return solve(narrow(rig))


def test_the_pair_that_only_tilting_separates(weak_solution):
    """Never tilted: two drops, one below the other, are only known as a sum."""
    says = [weak_says(w) for w in identifiability(weak_solution).weak
            if set(w.shares) == {"tilt_axis_drop", "edge_drop"}]
    assert len(says) == 1
    assert "cannot tell the tilt axis drop from the edge drop" in says[0]
    assert "only their sum is known, to " in says[0]
    assert "The tape decides: tilt axis drop, edge drop." in says[0]
    assert "A pose with tilt joint at " in says[0]


def test_the_named_pose_does_separate(rig, weak_solution):
    """With one pose at the named tilt the weak sum is at least ten times better known."""
    before = next(w for w in identifiability(weak_solution).weak if "edge_drop" in w.shares)
    run, _ = simulate(rig, np.random.default_rng(5), joints=np.vstack([
        solved_joints(weak_solution), np.radians([[0, 0, 35, -95, 60, 32, 0]])]), poses=25)
    spectrum = solve(run).shots_alone
    unit = np.zeros(len(spectrum.scale))
    names = [n for n, f in zip(solve(run).adjustment.names, solve(run).adjustment.free,
                               strict=True) if f]
    unit[names.index("edge_drop")] = 1.0
    assert np.sqrt(unit @ spectrum.covariance() @ unit) < before.sd / 10


def solved_joints(solution):
    rig, problem = solution.rig, solution.problem
    placement = problem.placement(solution.adjustment.parameters)
    return rig.chain.posture(solution.parameters, placement, solution.run.poses.readings,
                             False).joints


def test_the_sum_is_as_well_known_as_said(weak_solution):
    """The stated sd of the sum is that of the full inverse, where all directions count."""
    weak = next(w for w in identifiability(weak_solution).weak
                if set(w.shares) == {"tilt_axis_drop", "edge_drop"})
    stated = float(weak_says(weak).split("only their sum is known, to ")[1].split(" mm")[0])
    spectrum = weak_solution.shots_alone
    names = [n for n, f in zip(weak_solution.adjustment.names, weak_solution.adjustment.free,
                               strict=True) if f]
    both = np.zeros(len(names))
    both[[names.index("tilt_axis_drop"), names.index("edge_drop")]] = 1.0
    full = 1000 * np.sqrt(both @ spectrum.covariance() @ both)
    assert stated == pytest.approx(full, rel=0.1)


def test_an_exact_dependence_is_named(rig):
    """One pose only: far fewer coordinates than unknowns, and every direction is a sentence."""
    solution = solve(simulate(rig, np.random.default_rng(1), poses=1)[0])
    told = identifiability(solution)
    assert told.condition == np.inf
    assert told.rank < len(told.singular)
    assert (told.o1, told.o2, told.o3) == (0.0, 0.0, 0.0)
    exact = [w for w in told.weak if w.sd == np.inf]
    assert len(exact) == len(told.singular) - told.rank
    assert all("by any amount" in weak_says(w) for w in exact)


def test_a_good_run_has_nothing_to_say(rig):
    """Twenty-four scattered poses: no weak direction, condition under 100."""
    told = identifiability(solve(simulate(rig, np.random.default_rng(2))[0]))
    assert told.weak == ()
    assert told.condition < 100
    assert told.o2 == pytest.approx(1 / told.condition)


def test_correlations_are_listed(weak_solution):
    """A narrow run has strongly correlated unknowns; each is listed once, largest first."""
    pairs = identifiability(weak_solution).correlated
    sizes = [abs(r) for _, _, r in pairs]
    assert pairs and min(sizes) > 0.9 and sizes == sorted(sizes, reverse=True)
    assert len({frozenset(p[:2]) for p in pairs}) == len(pairs)


def test_o1_orders_as_the_determinant():
    """O1 of the same number of poses orders like log det(J'J)."""
    rng = np.random.default_rng(3)
    jacobians = [rng.normal(size=(30, 5)) for _ in range(20)]
    o1 = [Observability.of(np.linalg.svd(j, compute_uv=False), 10).volume for j in jacobians]
    determinants = [np.linalg.slogdet(j.T @ j)[1] for j in jacobians]
    assert np.array_equal(np.argsort(o1), np.argsort(determinants))
