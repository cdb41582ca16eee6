"""Congruency of two epochs: what moved, in which units, with what left out."""

import numpy as np
import pytest
from scipy.stats import f

from calib.adjust.congruency import Epoch, congruency, weighted_difference


def _designs(seed, columns=4):
    rng = np.random.default_rng(seed)
    scale = np.array([1.0, 1e-3, 50.0, 1.0, 1.0])[:columns]
    return [rng.normal(size=(rows, columns)) * scale for rows in (12, 15)]


def _epoch(design, values):
    estimate = np.linalg.lstsq(design, values, rcond=None)[0]
    residual = values - design @ estimate
    rank = np.linalg.matrix_rank(design)
    return Epoch(design.T @ design, design.T @ values, float(residual @ residual),
                 len(values) - rank)


def _pair(seed, change, columns=4, noise=1.0):
    """Two epochs of parameters that start at zero and change."""
    rng = np.random.default_rng(1000 + seed)
    designs = _designs(seed, columns)
    states = np.zeros(columns), np.asarray(change, float)
    return [_epoch(a, a @ x + noise * rng.normal(size=len(a)))
            for a, x in zip(designs, states, strict=True)]


def _least_squares(epochs, columns):
    """Cost of both epochs together when the second may differ by combinations of `columns`."""
    first, second = epochs
    information = np.block([
        [first.information + second.information, second.information @ columns],
        [columns.T @ second.information, columns.T @ second.information @ columns]])
    score = np.concatenate([first.score + second.score, columns.T @ second.score])
    scale = 1 / np.sqrt(np.diag(information))
    solution = scale * np.linalg.solve(information * np.outer(scale, scale), score * scale)
    return -float(score @ solution), solution[len(first.score):]


@pytest.mark.parametrize("seed", range(4))
def test_moved_candidates_have_the_size_that_an_adjustment_gives(seed):
    """A joint adjustment with the moved parameters free in the second epoch: size, sd, F value."""
    change = [0.0, 4000.0, 0.0, 0.0]
    epochs = _pair(seed, change)
    found = congruency(*epochs)
    chosen = [m.candidate for m in found.moved]
    assert chosen[0] == 1 and len(chosen) <= 2
    free, amounts = _least_squares(epochs, np.eye(4)[:, chosen])
    np.testing.assert_allclose(found.change, amounts, rtol=1e-7)
    none, _ = _least_squares(epochs, np.zeros((4, 0)))
    first, _ = _least_squares(epochs, np.eye(4)[:, chosen[:1]])
    assert found.moved[0].statistic == pytest.approx((none - first) / found.pooled, rel=1e-7)
    assert found.moved[0].limit == pytest.approx(f.isf(0.05, 1, found.dof))
    left = found.rank - len(chosen)
    everything, _ = _least_squares(epochs, np.eye(4))
    assert found.rest_statistic == pytest.approx((free - everything) / left / found.pooled,
                                                 rel=1e-6)
    assert found.rest_limit == pytest.approx(f.isf(0.05, left, found.dof))
    designs = _designs(seed)
    n1, n2 = (a.T @ a for a in designs)
    w = np.linalg.inv(np.linalg.inv(n1) + np.linalg.inv(n2))
    np.testing.assert_allclose(
        found.change_covariance, np.linalg.inv(w[np.ix_(chosen, chosen)]), rtol=1e-7)


def test_a_change_of_all_together_is_one_candidate():
    """A column that ties the parameters together is found before any of them, in its own unit."""
    column = np.array([5.0, 2000.0, 0.1, -3.0])
    candidates = np.column_stack([np.eye(4), column, np.zeros(4)])
    for seed in range(5):
        found = congruency(*_pair(seed, 3.0 * column), candidates=candidates)
        assert found.moved[0].candidate == 4
        sd = np.sqrt(found.change_covariance[0, 0])
        assert abs(found.change[0] - 3.0) < 4 * sd < 1.0
        assert all(m.candidate != 5 for m in found.moved)
        alone = congruency(*_pair(seed, [60.0, 0.0, 0.0, 0.0]), candidates=candidates)
        assert alone.moved[0].candidate == 0


def test_candidates_do_not_touch_the_global_test():
    """F, rank and dof are those without them; nothing is named where the test passes."""
    epochs = _pair(3, np.zeros(4))
    one, two = congruency(*epochs), congruency(*epochs, candidates=np.ones((4, 1)))
    assert (one.statistic, one.rank, one.dof) == (two.statistic, two.rank, two.dof)
    assert one.congruent and not one.moved and not two.moved
    assert one.change.shape == (0,) and one.change_covariance.shape == (0, 0)
    assert one.rest_statistic == one.statistic and one.rest_limit == one.limit


def test_at_most_so_many_are_named():
    """The search ends at `most`, and what is left still fails then."""
    epochs = _pair(5, [400.0, 4e5, 8.0, 400.0])
    for most in (1, 2):
        found = congruency(*epochs, most=most)
        assert len(found.moved) == most
        assert found.rest_statistic > found.rest_limit
    found = congruency(*epochs)
    assert sorted(m.candidate for m in found.moved) == [0, 1, 2, 3]
    assert np.isnan(found.rest_statistic) and np.isnan(found.rest_limit)
    assert sum(m.statistic for m in found.moved) * found.pooled == pytest.approx(found.omega)


def test_a_parameter_that_one_epoch_does_not_see_is_left_out():
    """The second epoch is blind for the last parameter: rank less one, never named."""
    designs = _designs(6)
    designs[1][:, 3] = 0.0
    rng = np.random.default_rng(2)
    epochs = [_epoch(a, a @ x + rng.normal(size=len(a)))
              for a, x in zip(designs, (np.zeros(4), [50.0, 0, 0, 1e6]), strict=True)]
    found = congruency(*epochs)
    assert found.rank == 3 and found.dof == 8 + 12
    assert found.moved[0].candidate == 0
    weight, _ = weighted_difference(*epochs)
    np.testing.assert_allclose(weight[3], 0.0, atol=1e-9)
    blind = [_epoch(np.zeros((5, 2)), rng.normal(size=5)) for _ in range(2)]
    with pytest.raises(ValueError, match="told by both"):
        congruency(*blind)


def test_without_redundancy_there_is_no_test():
    """Two epochs of as many observations as parameters."""
    rng = np.random.default_rng(4)
    epochs = [_epoch(rng.normal(size=(3, 3)), rng.normal(size=3)) for _ in range(2)]
    with pytest.raises(ValueError, match="redundancy"):
        congruency(*epochs)


def test_a_prior_that_alone_fixes_a_parameter_is_taken_out_with_its_freedom():
    """Observations blind for one parameter: the prior is no redundancy, and leaves none behind."""
    rng = np.random.default_rng(9)
    a = rng.normal(size=(12, 4))
    a[:, 3] = 0.0
    x = rng.normal(size=4)
    y = a @ x + rng.normal(size=12)
    h, sd = np.eye(4)[[0, 3]], np.array([0.5, 2.0])
    t = h @ x + sd * rng.normal(size=2)
    whole, values = np.vstack([a, h / sd[:, None]]), np.concatenate([y, t / sd])
    covariance = np.linalg.inv(whole.T @ whole)
    estimate = covariance @ whole.T @ values
    residual = values - whole @ estimate
    epoch = Epoch.without_prior(estimate, covariance, residual @ residual, 14 - 4, h,
                                t - h @ estimate, sd, np.zeros(4))
    # 12 observations of 3 parameters that they tell.
    assert epoch.dof == 12 - 3
    free = np.linalg.lstsq(a, y, rcond=None)[0]
    assert epoch.chi2 == pytest.approx(np.sum((y - a @ free) ** 2))
    np.testing.assert_allclose(epoch.information, a.T @ a, atol=1e-8)
    np.testing.assert_allclose(epoch.score, a.T @ y, atol=1e-8)


def test_an_epoch_scaled_by_its_own_variance_factor():
    """As if the sds had been stated as the epoch bears them out."""
    first, _ = _pair(7, np.zeros(4), noise=3.0)
    scaled = first.scaled()
    factor = first.chi2 / first.dof
    assert 3 < factor < 27
    assert (scaled.chi2, scaled.dof) == (first.dof, first.dof)
    np.testing.assert_allclose(scaled.information * factor, first.information)
    np.testing.assert_allclose(scaled.score * factor, first.score)
    bare = Epoch(np.eye(2), np.zeros(2), 0.0, 0)
    assert bare.scaled() is bare


def test_what_explains_as_much_is_named_beside():
    """Two parameters that the observations hardly tell apart; and two that they tell well."""
    rng = np.random.default_rng(11)
    designs = [rng.normal(size=(20, 3)) for _ in range(2)]
    for design in designs:
        design[:, 1] = design[:, 0] + 0.01 * rng.normal(size=20)
    alike = [_epoch(a, a @ x + rng.normal(size=20))
             for a, x in zip(designs, (np.zeros(3), [30.0, 0, 0]), strict=True)]
    found = congruency(*alike).moved[0]
    assert {found.candidate, *found.alternatives} == {0, 1}
    assert congruency(*_pair(0, [60.0, 0, 0, 0])).moved[0].alternatives == ()
