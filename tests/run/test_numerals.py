"""One parser for every number of every file."""

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from calib.run.numerals import NotANumber, decimal_marks_in, is_number, parse_number


@pytest.mark.parametrize(
    ("cell", "decimal", "value"),
    [
        ("12", ".", 12.0), ("-0.5", ".", -0.5), ("+.5", ".", 0.5), ("5.", ".", 5.0),
        ("1e3", ".", 1000.0), ("1.5E-03", ".", 0.0015), ("1,5", ",", 1.5), ("-,25", ",", -0.25),
        ("007", ".", 7.0), ("2,5e1", ",", 25.0),
    ],
)
def test_reads_plain_numbers(cell, decimal, value):
    """Signs, missing digits on one side and exponents are plain numbers."""
    assert parse_number(cell, decimal) == value


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("1O.2", "a number (letter O for zero?)"),
        ("l2.5", "a number (letter l or I for one?)"),
        ("12.3°", "a number in decimal degrees (without the degree sign)"),
        ("12°30'15\"", "a number in decimal degrees (without the degree sign)"),
        ("12 30 15.2", "a number in decimal degrees (degrees, minutes, seconds?)"),
        ("12:30:15", "a number in decimal degrees (degrees, minutes, seconds?)"),
        ("1,5", "a number with a decimal point"),
        ("1,234.5", "a number with a decimal point and no thousands mark"),
        ("1.234,5", "a number with a decimal point and no thousands mark"),
        ("1 234.5", "a number with a decimal point and no thousands mark"),
        ("1'234", "a number with a decimal point and no thousands mark"),
        ("1\u202f234.5", "a number with a decimal point and no thousands mark"),
        ("1.2.3", "a number with one decimal point"),
        ("\u22121.5", "a number (the minus sign is a dash: type a plain hyphen)"),
        ("12.5m", "a number (without its unit)"),
        ("5702 mm", "a number (without its unit)"),
        ("1. 5", "a number (a space inside?)"),
        ("nan", "a finite number"),
        ("-Inf", "a finite number"),
        ("NA", "a finite number"),
        ("*", "a number (a sign for no value?)"),
        ("#DIV/0!", "a number (an error or a narrow column of a spreadsheet?)"),
        ("", "a number"),
        ("north", "a number"),
        ("0x10", "a number"),
        ("1_000", "a number"),
        ("\uff11\uff12", "a number"),
        ("1e999", "a number of a size a computer can hold"),
    ],
)
def test_names_the_likely_cause(cell, expected):
    """A cell that is no number is refused, with the cause a person can mend."""
    with pytest.raises(NotANumber) as caught:
        parse_number(cell)
    assert caught.value.expected == expected


def test_a_point_is_refused_where_commas_are_decimal():
    """1.234 may be a thousand and more there: never guessed."""
    with pytest.raises(NotANumber, match=r"^a number with a decimal comma$"):
        parse_number("1.234", ",")
    with pytest.raises(NotANumber, match=r"^a number with a decimal comma and no thousands mark$"):
        parse_number("1.234,5", ",")


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(".,"))
def test_every_finite_float_comes_back(value, mark):
    """Written with either decimal mark, the same float is read."""
    assert parse_number(repr(value).replace(".", mark), mark) == value


@given(st.text(max_size=12), st.sampled_from(".,"))
@example("1_0", ".")
@example("infinity", ".")
def test_any_text_is_a_finite_number_or_refused(text, mark):
    """Nothing else ever comes out, and what is read is what Python reads from the same digits."""
    try:
        value = parse_number(text, mark)
    except NotANumber as error:
        assert error.expected.startswith("a")
    else:
        assert math.isfinite(value)
        assert is_number(text, mark)
        assert value == float(text.replace(",", "."))


def test_the_mark_that_matters():
    """Whole numbers and text say nothing about the decimal mark."""
    assert [decimal_marks_in(c) for c in ("1.5", "1,5", "15", "1.234,5", "x")] == \
        [".", ",", "", "", ""]
