"""Units of length as the National Institute of Standards and Technology defines them.

Sources: NIST Special Publication 811 (2008), appendix B.6 (foot 0.3048 m exactly; US survey foot
1200/3937 m); Federal Register notice 2020-21902, deprecation of the US survey foot. Values from
memory of these documents; the definitions are exact.
"""

from fractions import Fraction

import pytest

from calib.intake.files.field_units import METRES, UnitText, parse_unit, to_metres


def test_definitions():
    """Both feet are the exact fractions."""
    assert Fraction(*METRES["ft-int"]) == Fraction(3048, 10000)
    assert Fraction(*METRES["ft-us"]) == Fraction(1200, 3937)


def test_they_differ_by_two_parts_in_a_million():
    """NIST: the feet differ by 2 ppm; at 2,000,000 ft that is 1.22 m."""
    ratio = Fraction(*METRES["ft-us"]) / Fraction(*METRES["ft-int"]) - 1
    assert float(ratio) == pytest.approx(2.0e-6, rel=1e-2)
    apart = to_metres(2_000_000.0, "ft-us") - to_metres(2_000_000.0, "ft-int")
    assert apart == pytest.approx(1.2192, abs=1e-4)


def test_ft_alone_is_refused_with_both_named():
    """The message names the two feet, their lengths and what to write."""
    with pytest.raises(UnitText, match=r"ft-int\).*1200/3937 m: write ft-us"):
        parse_unit("ft")
