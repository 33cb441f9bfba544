"""Numbers as laboratories write them."""

import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.numbers import read_number


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("12", 12),
        (" 12.5 ", 12.5),
        ("12,5", 12.5),
        (",5", 0.5),
        ("-0,25", -0.25),
        ("\u22123", -3),
        ("+3", 3),
        ("1.234,5", 1234.5),
        ("1,234.5", 1234.5),
        ("1.234.567", 1234567),
        ("1,234,567", 1234567),
        ("0,234", 0.234),
        ("0.234", 0.234),
        ("1234,567", 1234.567),
        ("1,2345", 1.2345),
        ("12 500", 12500),
        ("12\u2009500,25", 12500.25),
        ("1\u202f234\u202f567", 1234567),
        ("12\u00a0500", 12500),
        ("1'234.5", 1234.5),
        ("1.2e3", 1200),
        ("1,2E-3", 0.0012),
    ],
)
def test_numbers_that_leave_no_doubt(text: str, number: float) -> None:
    assert read_number(text) == number


@pytest.mark.parametrize(
    ("text", "decimal", "number"),
    [
        ("1,234", ",", 1.234),
        ("1,234", ".", 1234),
        ("1.234", ".", 1.234),
        ("1.234", ",", 1234),
        ("10.125", ".", 10.125),
        ("1.234.567,8", ",", 1234567.8),
    ],
)
def test_the_decimal_mark_can_be_said(text: str, decimal: str, number: float) -> None:
    assert read_number(text, decimal=decimal) == number


@pytest.mark.parametrize("text", ["1,234", "1.234", "12,500", "-999.999"])
def test_a_mark_that_can_be_read_both_ways_is_refused(text: str) -> None:
    with pytest.raises(OutOfRange, match="thousands or decimals"):
        read_number(text)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "number is empty"),
        ("12.5 N·m", 'the number alone, "12.5", without "N·m"'),
        ("12,5Nm", 'the number alone, "12,5", without "Nm"'),
        ("-40 °C", 'the number alone, "-40", without "°C"'),
        ("12 50", "groups of three digits"),
        ("1 2345", "groups of three digits"),
        ("1.23.456", "groups of three digits"),
        ("1,234.5,6", "one decimal mark"),
        ("about 12", "digits with one decimal mark"),
        ("--1", "digits with one decimal mark"),
        ("nan", "digits with one decimal mark"),
        ("inf", "digits with one decimal mark"),
        ("1/2", 'without "/2"'),
        ("1e999", "digits with one decimal mark"),
        (".", "digits with one decimal mark"),
    ],
)
def test_what_is_no_number_is_named_with_what_would_be_right(text: str, says: str) -> None:
    with pytest.raises(OutOfRange, match=says):
        read_number(text)


def test_a_decimal_mark_is_a_point_or_a_comma() -> None:
    with pytest.raises(OutOfRange, match="decimal mark is ;"):
        read_number("1;5", decimal=";")


@given(
    st.floats(-1e9, 1e9), st.sampled_from([",", "."]), st.sampled_from([" ", "\u2009", "\u202f"])
)
def test_a_number_written_with_thin_spaces_is_read_back(
    number: float, decimal: str, space: str
) -> None:
    written = f"{number:,.4f}".replace(",", "#").replace(".", decimal).replace("#", space)

    assert read_number(written) == float(f"{number:.4f}")


@given(st.floats(-1e9, 1e9), st.sampled_from([",", "."]))
def test_a_number_written_with_marks_between_thousands_is_read_back(
    number: float, decimal: str
) -> None:
    written = f"{number:,.4f}"
    if decimal == ",":
        written = written.translate(str.maketrans(",.", ".,"))

    assert read_number(written) == float(f"{number:.4f}")
    assert read_number(written, decimal=decimal) == float(f"{number:.4f}")


@given(st.text(alphabet="0123456789.,-+eE '\u2009x", max_size=16))
def test_any_text_is_read_or_refused_in_words(text: str) -> None:
    with suppress(OutOfRange):
        assert math.isfinite(read_number(text))
