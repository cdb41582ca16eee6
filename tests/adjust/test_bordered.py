"""Compression set by set, against the dense matrix."""

import numpy as np
import pytest

from calib.adjust.bordered import Bordered, Compressed, Sets
from calib.adjust.linearised import residual
from calib.adjust.spectrum import Spectrum


def matrix(rng, counts, k=2, s=3, below=2):
    """A bordered matrix with sets of so many rows, in any order, over some further rows."""
    of_row = rng.permutation(np.repeat(np.arange(len(counts)), counts))
    columns = rng.permutation(len(counts) * k + s - (len(counts) > 2))
    local = columns[s:]
    if len(counts) > 2:  # the second set has a column less
        local = np.insert(local, k + 1, -1)
    sets = Sets(of_row, local.reshape(len(counts), k), np.sort(columns[:s]))
    values = rng.normal(size=(len(of_row), k + s))
    values[:, :k][sets.local[of_row] < 0] = 0.0
    return Bordered(sets, values), rng.normal(size=(below, sets.size))


@pytest.mark.parametrize("counts", [(9, 9, 9), (1, 2, 30), (5,), (4, 7, 2, 12, 3, 3)])
@pytest.mark.parametrize(("s", "below"), [(3, 2), (3, 0), (0, 0), (8, 4)])
def test_compressed_is_the_dense_matrix(counts, s, below):
    """Q T is J over H, with Q' r the same least squares, and the same singular values."""
    rng = np.random.default_rng(sum(counts) + s)
    bordered, further = matrix(rng, counts, s=s, below=below)
    dense = np.vstack([np.asarray(bordered), further])
    compressed = Compressed.of(bordered, further)
    assert len(compressed.triangle) <= dense.shape[1] + below + 1
    np.testing.assert_allclose(compressed.lift(compressed.triangle), dense, atol=1e-13)
    r = rng.normal(size=len(dense))
    lower = residual(compressed, r)
    assert np.linalg.norm(lower) == pytest.approx(np.linalg.norm(r), rel=1e-13)
    np.testing.assert_allclose(compressed.triangle.T @ lower[:-1], dense.T @ r, atol=1e-12)


def test_the_spectrum_is_that_of_the_dense_matrix():
    """Singular values, covariance, projector and solution, to rounding."""
    rng = np.random.default_rng(3)
    bordered, further = matrix(rng, (9, 4, 30))
    dense = np.vstack([np.asarray(bordered), further])
    one, other = Spectrum.of(dense), Spectrum.of(Compressed.of(bordered, further))
    np.testing.assert_allclose(other.singular, one.singular, rtol=1e-13)
    np.testing.assert_allclose(other.covariance(), one.covariance(), rtol=1e-11, atol=1e-14)
    np.testing.assert_allclose(other.left @ other.left.T, one.left @ one.left.T, atol=1e-13)
    r = rng.normal(size=len(dense))
    np.testing.assert_allclose(other.solution(r), np.linalg.lstsq(dense, r)[0], atol=1e-12)


def test_a_deficient_set_is_named_as_by_the_dense_matrix():
    """A set of too few rows, and two columns of a set that say the same."""
    rng = np.random.default_rng(4)
    bordered, further = matrix(rng, (1, 9, 30))
    of_last = bordered.sets.of_row == 2
    bordered.values[of_last, 1] = 3.0 * bordered.values[of_last, 0]
    further[:, bordered.sets.local[bordered.sets.local >= 0]] = 0.0
    names = [f"x{i}" for i in range(bordered.sets.size)]
    told = [Spectrum.of(design).null_directions(names) for design in (
        np.vstack([np.asarray(bordered), further]), Compressed.of(bordered, further))]
    assert len(told[0]) == 2
    for one, other in zip(*told, strict=True):
        assert one.names == other.names
        np.testing.assert_allclose(np.abs(one.shares), np.abs(other.shares), atol=1e-9)


def test_a_column_left_out():
    """A shared column can be held, one of a set cannot."""
    bordered, _ = matrix(np.random.default_rng(5), (9, 4))
    kept = np.ones(bordered.sets.size, bool)
    kept[bordered.sets.shared[1]] = False
    np.testing.assert_array_equal(np.asarray(bordered.only(kept)),
                                  np.asarray(bordered)[:, kept])
    kept[bordered.sets.local[0, 0]] = False
    with pytest.raises(ValueError, match="of its own"):
        bordered.only(kept)
