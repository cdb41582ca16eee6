"""The congruency test of Pelzer (1971) and Caspary (1987) on a levelling network.

No worked example with all its numbers could be had, so the test is held to what the sources say
of it: for normal errors its statistic follows F(rank, dof) exactly; it does not depend on the
datum; and where both epochs are regular it is d' (Q1 + Q2)^-1 d. (Sources from memory:
H. Pelzer, DGK C 164, 1971; W. F. Caspary, UNSW Monograph 11, 1987. That the restricted less the
unrestricted sum of squares is F distributed is the theorem on linear hypotheses, for example
C. R. Rao, *Linear Statistical Inference and Its Applications*, 2nd ed. 1973, section 4b.)
"""

import numpy as np
import pytest
from scipy.stats import f, kstest, ncf

from calib.adjust.congruency import Epoch, congruency, weighted_difference

#: Height differences of a levelling net over six points; from, to.
LINES = [(0, 1), (1, 2), (2, 3), (3, 4), (4, 5), (5, 0), (0, 2), (1, 4), (2, 5), (3, 5)]
SD = np.array([1.0, 1.5, 1.2, 0.8, 1.0, 2.0, 1.4, 1.1, 1.6, 0.9])


def _design():
    a = np.zeros((len(LINES), 6))
    for row, (start, end) in enumerate(LINES):
        a[row, start], a[row, end] = -1, 1
    return a / SD[:, None]


def _epoch(values):
    """A free adjustment: six heights, no datum."""
    a = _design()
    information = a.T @ a
    score = a.T @ (values / SD)
    solution = np.linalg.pinv(information) @ score
    residual = values / SD - a @ solution
    return Epoch(information, score, float(residual @ residual), len(LINES) - 5)


def _measured(rng, heights, sigma=1.0):
    exact = np.array([heights[end] - heights[start] for start, end in LINES])
    return exact + sigma * SD * rng.normal(size=len(LINES))


def test_the_statistic_follows_f():
    """Over 2,000 pairs of epochs without movement the statistic is F(5, 10), whatever sigma is."""
    rng = np.random.default_rng(77)
    heights = rng.normal(0, 10, 6)
    found = [
        congruency(_epoch(_measured(rng, heights, 2.5)), _epoch(_measured(rng, heights, 2.5)))
        for _ in range(2000)
    ]
    assert {(c.rank, c.dof) for c in found} == {(5, 10)}
    assert kstest([c.statistic for c in found], f(5, 10).cdf).pvalue > 0.001
    alarms = np.mean([not c.congruent for c in found])
    assert alarms == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / 2000))


def test_power_is_that_of_the_noncentral_f():
    """A point that sinks is found as often as the noncentral F distribution says."""
    rng = np.random.default_rng(6)
    before = rng.normal(0, 10, 6)
    after = before.copy()
    after[3] -= 2.5
    pairs = [(_epoch(_measured(rng, before)), _epoch(_measured(rng, after))) for _ in range(1200)]
    weight, _ = weighted_difference(*pairs[0])
    noncentrality = (after - before) @ weight @ (after - before)
    expected = ncf(5, 10, noncentrality).sf(f(5, 10).isf(0.05))
    assert 0.3 < expected < 0.9
    found = [congruency(*pair) for pair in pairs]
    power = np.mean([not c.congruent for c in found])
    assert power == pytest.approx(expected, abs=3.5 * np.sqrt(expected * (1 - expected) / 1200))
    named = [c.moved[0].candidate for c in found if not c.congruent]
    assert np.mean(np.array(named) == 3) > 0.8


def test_the_datum_does_not_matter():
    """Fixing any one point in both epochs gives the same omega as the free adjustment."""
    rng = np.random.default_rng(7)
    first, second = (_measured(rng, rng.normal(0, 3, 6)) for _ in range(2))
    free = congruency(_epoch(first), _epoch(second))
    a = _design()
    for fixed in range(6):
        keep = [i for i in range(6) if i != fixed]
        q = np.linalg.inv(a[:, keep].T @ a[:, keep])
        d = q @ a[:, keep].T @ ((second - first) / SD)
        assert d @ np.linalg.inv(2 * q) @ d == pytest.approx(free.omega, rel=1e-9)


def test_omega_is_the_cost_of_one_set_of_heights():
    """Omega is what forcing both epochs to the same heights adds to the sum of squares."""
    rng = np.random.default_rng(8)
    first, second = (_measured(rng, rng.normal(0, 3, 6)) for _ in range(2))
    e1, e2 = _epoch(first), _epoch(second)
    a = np.vstack([_design(), _design()])
    values = np.concatenate([first, second]) / np.tile(SD, 2)
    residual = values - a @ np.linalg.lstsq(a, values, rcond=None)[0]
    together = float(residual @ residual)
    assert congruency(e1, e2).omega == pytest.approx(together - e1.chi2 - e2.chi2, rel=1e-9)


def test_taking_a_prior_out_leaves_the_observations():
    """An estimate with priors, the priors taken out, is the estimate without them."""
    rng = np.random.default_rng(9)
    a, x = rng.normal(size=(12, 4)), rng.normal(size=4)
    y = a @ x + rng.normal(size=12)
    h, sd = np.eye(4)[[0, 2]], np.array([0.5, 2.0])
    t = h @ x + sd * rng.normal(size=2)
    whole = np.vstack([a, h / sd[:, None]])
    values = np.concatenate([y, t / sd])
    covariance = np.linalg.inv(whole.T @ whole)
    estimate = covariance @ whole.T @ values
    residual = values - whole @ estimate
    origin = rng.normal(size=4)
    epoch = Epoch.without_prior(estimate, covariance, residual @ residual, 14 - 4, h,
                                t - h @ estimate, sd, origin)
    plain = np.linalg.lstsq(a, y, rcond=None)[0]
    np.testing.assert_allclose(epoch.information, a.T @ a, rtol=1e-9)
    np.testing.assert_allclose(epoch.score, a.T @ a @ (plain - origin), rtol=1e-8, atol=1e-9)
    assert epoch.chi2 == pytest.approx(np.sum((y - a @ plain) ** 2))
    assert epoch.dof == 12 - 4
