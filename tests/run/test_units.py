"""Units to SI and back."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.run.units import UNITS, from_si, to_si


def test_the_international_foot_is_exact():
    """0.3048 m by definition, since 1959 (from memory: NIST Special Publication 811)."""
    assert to_si(1, "ft") == 0.3048
    assert Fraction(str(to_si(10_000, "ft"))) == Fraction(3048)


def test_millimetres_do_not_pick_up_a_rounding_error():
    """Every whole number of mm up to 20 m is the float nearest to its metres."""
    assert all(to_si(n, "mm") == float(Fraction(n, 1000)) for n in range(20_000))


@given(st.sampled_from(UNITS), st.floats(-1e6, 1e6))
def test_back_again(unit, value):
    """From SI and to SI."""
    assert from_si(to_si(value, unit), unit) == pytest.approx(value, rel=1e-14, abs=1e-300)
