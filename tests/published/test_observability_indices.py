"""Observability indices of robot calibration.

Y. Sun and J. M. Hollerbach, "Observability index selection for robot calibration", IEEE Int. Conf.
Robotics and Automation 2008, 831-836: definitions, and the relation of the first index to
D-optimality. The numbers of the worked case follow from the definitions by hand.
"""

import numpy as np
import pytest

from calib.adjust.observability import Observability


def test_worked_case():
    """Singular values 4, 2, 1 of 10 poses: 2 / sqrt(10), 1/4, 1, 1/4 and 4/7."""
    seen = Observability.of([1, 4, 2], poses=10)
    assert seen.volume == pytest.approx(0.6324555320)
    assert seen.inverse_condition == 0.25
    assert seen.smallest == 1.0
    assert seen.noise_amplification == 0.25
    assert seen.harmonic == pytest.approx(0.5714285714)


def test_first_index_orders_as_the_determinant():
    """Sets of poses of one size are in the order of log det(J'J)."""
    rng = np.random.default_rng(5)
    designs = rng.normal(0, 1, (40, 12, 4)) * rng.uniform(0.2, 5, 4)
    first = [Observability.of(np.linalg.svd(j)[1], 12).volume for j in designs]
    determinant = [np.linalg.slogdet(j.T @ j)[1] for j in designs]
    assert list(np.argsort(first)) == list(np.argsort(determinant))
    np.testing.assert_allclose(np.diff(np.log(first)), np.diff(determinant) / 8, atol=1e-12)


def test_scale_of_units_shows_in_all_but_the_first_order():
    """A change of units changes the second index, not the order by the first."""
    rng = np.random.default_rng(6)
    a, b = rng.normal(0, 1, (2, 9, 3))
    units = np.diag([1.0, 1000.0, 0.017])

    def first(j):
        return Observability.of(np.linalg.svd(j)[1], 9).volume

    assert first(a) / first(b) == pytest.approx(first(a @ units) / first(b @ units))
    second = [Observability.of(np.linalg.svd(j)[1], 9).inverse_condition for j in (a, a @ units)]
    assert second[1] < 0.1 * second[0]


def test_direction_not_seen():
    """A zero singular value makes every index zero; what cannot be is refused."""
    assert Observability.of([3.0, 0.0], 5) == Observability(0, 0, 0, 0, 0)
    for singular, poses in (([], 5), ([1.0], 0), ([1.0, -1.0], 5)):
        with pytest.raises(ValueError, match="singular value"):
            Observability.of(singular, poses)
