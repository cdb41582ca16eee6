"""What the engine refuses to be given, read in its own words."""

import numpy as np
import pytest

from calib.adjust.observations import Observations

GOOD = np.array([[2.0, 0.5], [0.5, 1.0]])


def build(**changes):
    """Three observations in two blocks with one reading each, and what a test changes."""
    given = {
        "values": [1.0, 2.0, 3.0], "block": [0, 0, 1], "covariances": [GOOD, [[1.0]]],
        "readings": [[0.1], [0.2]], "reading_covariance": [[[0.01]], [[0.01]]],
    } | changes
    return Observations.build(**given)


def test_blocks_of_equal_size_are_stacked():
    """Every row is in exactly one group, beside its block and covariance."""
    observations = Observations.build(
        np.arange(6.0), [2, 0, 2, 1, 0, 4], [GOOD, [[3.0]], 2 * GOOD, np.zeros((0, 0)), [[4.0]]])
    ones, twos = observations.groups
    assert ones.rows.tolist() == [[3], [5]]
    assert ones.blocks.tolist() == [1, 4]
    assert ones.covariance.ravel().tolist() == [3.0, 4.0]
    assert twos.rows.tolist() == [[1, 4], [0, 2]]
    assert twos.blocks.tolist() == [0, 2]
    np.testing.assert_array_equal(twos.covariance, [GOOD, 2 * GOOD])
    assert observations.readings.shape == (5, 0)


def test_what_was_given_is_copied():
    """Changing a list afterwards does not change the observations."""
    values = np.array([1.0, 2.0, 3.0])
    observations = build(values=values)
    values[0] = 99.0
    assert observations.values[0] == 1.0


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"block": [0, 1]}, "3 observations but block numbers for 2"),
        ({"block": [0, 0, 2]}, "block numbers 0 to 2 of 2 blocks"),
        ({"block": [-1, 0, 1]}, "block numbers -1 to 1 of 2 blocks"),
        ({"block": [0, 1, 1]}, r"block 0 has 1 observations but a covariance of shape \(2, 2\)"),
        ({"covariances": [GOOD, 1.0]}, r"block 1 has 1 observations but .* shape \(\)"),
        ({"values": [1.0, np.nan, 3.0]}, r"observation \[1\] is not finite"),
        ({"values": [1.0, 2.0, np.inf]}, r"observation \[2\] is not finite"),
        ({"readings": [[0.1], [np.nan]]}, r"reading \[1 0\] is not finite"),
        ({"readings": [[0.1]]}, r"2 blocks but readings \(1, 1\) with covariance \(2, 1, 1\)"),
        ({"reading_covariance": None}, "1 readings per block but no covariance"),
        ({"reading_covariance": [[0.01], [0.01]]}, r"with covariance \(2, 1\)"),
        ({"reading_covariance": [[[0.01]], [[0.0]]]},
         "covariance of the readings is not positive definite"),
        ({"reading_covariance": [[[0.01]], [[np.nan]]]},
         "covariance of the readings is not finite"),
        ({"covariances": [GOOD, [[0.0]]]},
         "covariance of blocks of 1 observations is not positive definite"),
        ({"covariances": [GOOD, [[-1.0]]]}, "is not positive definite"),
        ({"covariances": [[[1.0, 0.1], [0.2, 1.0]], [[1.0]]]},
         "covariance of blocks of 2 observations is not symmetric"),
        ({"covariances": [[[1.0, 2.0], [2.0, 1.0]], [[1.0]]]}, "is not positive definite"),
        ({"covariances": [[[1.0, 1.0], [1.0, 1.0]], [[1.0]]]}, "is not positive definite"),
        ({"covariances": [[[np.inf, 0.0], [0.0, 1.0]], [[1.0]]]}, "is not finite"),
    ],
    ids=lambda value: None if isinstance(value, dict) else value,
)
def test_build_refuses(changes, says):
    """Sizes that do not fit, numbers that are none, covariances that cannot be."""
    with pytest.raises(ValueError, match=says):
        build(**changes)


def test_symmetric_within_rounding_is_accepted():
    """The last digits of a product of matrices are no reason to refuse."""
    wobbly = GOOD.copy()
    wobbly[0, 1] *= 1 + 1e-12
    build(covariances=[wobbly, [[1.0]]])


def test_covariances_of_very_different_size():
    """A square millimetre beside a square kilometre is positive definite."""
    build(covariances=[[[1e6, 1e-4], [1e-4, 1e-6]], [[1.0]]])
