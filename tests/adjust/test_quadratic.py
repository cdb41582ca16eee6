"""Tails of quadratic forms in normal residuals."""

import numpy as np
import pytest
from scipy import sparse
from scipy.stats import chi2

from calib.adjust.quadratic import cumulants, exact_tail, tail


@pytest.mark.parametrize(("value", "printed"), [(0.1, 0.9458), (0.7, 0.5064), (2.0, 0.1240)])
def test_imhof_first_example(value, printed):
    """Imhof 1961, table 1, Q1 = 0.6 + 0.3 + 0.1 chi-squares of 1 (from memory)."""
    assert exact_tail(np.array([0.6, 0.3, 0.1]), value) == pytest.approx(printed, abs=6e-5)


@pytest.mark.parametrize("count", [5, 40, 400])
def test_exact_tails_of_a_chi_square(count):
    """Equal weights: the chi-square itself, out to a chance of 1e-6."""
    for chance in (0.99, 0.5, 0.01, 1e-4, 1e-6):
        value = 2.5 * chi2.isf(chance, count)
        assert exact_tail(np.full(count, 2.5), value) == pytest.approx(chance, rel=1e-3)


def test_three_cumulants_serve_a_large_form():
    """1600 weights of both signs: the two ways agree to 2 % where gates decide."""
    weights = np.random.default_rng(3).normal(0.1, 1.0, 1600)
    moments = [np.sum(weights**k) for k in (1, 2, 3)]
    for score in (-1.0, 0.0, 1.65, 2.4):
        value = moments[0] + score * np.sqrt(2 * moments[1])
        assert tail(moments, value) == pytest.approx(exact_tail(weights, value), rel=0.02)


def test_cumulants_are_those_of_the_dense_product():
    """tr (KP)^k of a sparse form and a narrow basis against the same with full matrices."""
    rng = np.random.default_rng(7)
    left = np.linalg.qr(rng.normal(size=(30, 6)))[0]
    form = sparse.random(30, 30, 0.1, random_state=8)
    form = (form + form.T).tocsr()
    product = form.toarray() @ (np.eye(30) - left @ left.T)
    dense = [np.trace(np.linalg.matrix_power(product, k)) for k in (1, 2, 3)]
    assert cumulants(form, left) == pytest.approx(dense, rel=1e-12)


def test_sum_of_squares_is_chi_square():
    """The identity gives the global test: chi-square of n - p, on both sides of its mean."""
    left = np.linalg.qr(np.random.default_rng(1).normal(size=(40, 5)))[0]
    moments = cumulants(sparse.identity(40, format="csr"), left)
    for value in (15.0, 35.0, 60.0):
        assert tail(moments, value) == pytest.approx(chi2.sf(value, 35), rel=1e-9)


def test_a_form_that_is_skew_to_the_left():
    """P(-Q > -x) = P(Q < x)."""
    assert tail((-10.0, 10.0, -10.0), -18.307) == pytest.approx(0.95, abs=1e-4)


def test_a_symmetric_form_is_normal():
    """A difference of two equal sums: zero mean, no skewness."""
    assert tail((0.0, 200.0, 0.0), 1.96 * 20.0) == pytest.approx(0.025, abs=1e-4)
