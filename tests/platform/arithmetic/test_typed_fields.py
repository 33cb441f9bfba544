"""What is typed into a field."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.fields import Asks, Field, figure
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.typed_fields import (
    FieldRefused,
    as_typed,
    refused,
    typed_value,
)

WIDTH = figure("width_mm", "Width", "mm")
GAS = Field("gas", "Gas", Asks.WORDS, required=False, choices=("helium", "air"))


@given(st.floats(-1e9, 1e9))
def test_a_number_shown_is_read_as_it_was(value: float) -> None:
    assert read_number(as_typed(value)) == pytest.approx(value, rel=1e-11)


def test_a_decimal_comma_is_understood() -> None:
    assert typed_value({"width_mm": " 12,5 "}, WIDTH) == 12.5


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        (WIDTH, "", "Width is empty mm; allowed: a number in mm"),
        (WIDTH, "twelve", "Width is twelve mm; allowed: digits"),
        (GAS, "hydrogen", "Gas is hydrogen; allowed: helium, air"),
    ],
)
def test_a_refusal_names_field_value_and_what_is_right(field: Field, typed: str, said: str) -> None:
    with pytest.raises(FieldRefused) as trouble:
        typed_value({field.name: typed}, field)

    assert trouble.value.field == field.name
    assert said.replace("empty mm", "empty") in str(trouble.value)


def test_what_may_be_left_out_is_none() -> None:
    assert typed_value({}, GAS) is None
    assert typed_value({"gas": "air"}, GAS) == "air"


def test_a_trouble_elsewhere_is_given_to_its_field() -> None:
    found = refused(WIDTH, "-3", OutOfRange("x", -3, "mm", "more than zero"))

    assert (found.field, found.allowed) == ("width_mm", "more than zero")
